"use strict";
/* The case list: filter, sort, deep links such as #rule=wall-oxygen-time or #case-3.

A long list is shown in parts, so that a month of thousands of trips stays quick. */
(function () {
  const table = document.getElementById("case-table");
  const filters = document.getElementById("case-filters");
  const FIELDS = ["group", "rule", "base", "cannula"];
  const PART = 20;
  const PRINTED = 100;

  /* A row for each case that is on the page as data only: a copy of the first row, refilled. */
  function addRows(body) {
    const holder = document.getElementById("more-cases");
    if (!holder) return;
    const packed = JSON.parse(holder.textContent);
    const said = packed.words;
    const folder = body.dataset.folder;
    const made = document.createDocumentFragment();
    for (const [n, trip, file, base, vehicle, cannula, group, severity, rules, why, state] of packed.cases) {
      const row = body.rows[0].cloneNode(false);
      const named = rules.map(function (r) { return said.rule[r]; });
      row.id = "case-" + n;
      row.hidden = true;
      Object.assign(row.dataset, { n: n, base: said.base[base][0], cannula: said.cannula[cannula][0],
        group: said.group[group][0], rule: named.map(function (r) { return r[0]; }).join(" ") });
      const cells = Array.from(body.rows[0].cells, function (cell) { return cell.cloneNode(false); });
      const sorts = [n, trip, said.base[base][0], said.cannula[cannula][1], said.severity[severity][1],
        named.length ? named[0][1] : ""];
      cells.forEach(function (cell, i) { cell.dataset.sort = sorts[i]; });
      cells[0].textContent = n;
      const link = file ? element("a", "", element("bdi", "", trip)) : element("bdi", "", trip);
      if (file) link.href = folder + "/" + file + ".html";
      cells[1].append(link);
      cells[2].append(element("bdi", "", said.base[base][0]), ", " + said.vehicle[vehicle][0]);
      cells[3].append(element("bdi", "", said.cannula[cannula][1]));
      cells[4].append(element("span", "group " + said.group[group][0], said.group[group][1]));
      const level = said.severity[severity][0];
      if (level) cells[4].append(" ", element("span", "severity " + level, level));
      cells[4].append(element("span", "sentence", why));
      if (state) cells[4].append(element("span", "quiet", state));
      for (const rule of named) cells[5].append(element("span", "", rule[1]), " ");
      if (!named.length) cells[5].append(element("span", "quiet", "none"));
      row.append(...cells);
      made.append(row);
    }
    body.append(made);
  }

  function element(name, kind, content) {
    const made = document.createElement(name);
    if (kind) made.className = kind;
    made.append(content);
    return made;
  }

  function setUpCases() {
    const body = table.tBodies[0];
    addRows(body);
    const rows = Array.from(body.rows);
    const selects = {};
    for (const field of FIELDS) selects[field] = document.getElementById("filter-" + field);
    const sorter = document.getElementById("sort-by");
    const count = document.getElementById("case-count");
    const none = document.getElementById("case-none");
    const collator = new Intl.Collator(document.documentElement.lang, { numeric: true });
    const rest = document.getElementById("case-rest");
    const more = document.getElementById("case-more");
    const state = { sort: "n", down: false, most: PART };
    let ordered = rows;

    function holds(row, field, wanted) {
      if (!wanted) return true;
      if (field === "rule") return row.dataset.rule.split(" ").includes(wanted);
      return row.dataset[field] === wanted;
    }

    function apply() {
      let fit = 0;
      for (const row of ordered) {
        const fits = FIELDS.every(function (f) { return holds(row, f, selects[f].value); });
        if (fits) fit += 1;
        row.hidden = !fits || fit > Math.max(state.most, PRINTED);
        row.classList.toggle("later", fits && fit > state.most);
      }
      const all = fit === rows.length;
      const shown = Math.min(fit, state.most);
      count.textContent = fit > shown ? "First " + shown + " of " + fit + " shown" + (all ? "" : ", " + rows.length + " in all")
        : all ? "All " + rows.length + " shown" : shown + " of " + rows.length + " shown";
      none.hidden = fit > 0;
      rest.hidden = fit <= shown;
      more.textContent = "Show " + Math.min(PART, fit - shown) + " more of " + (fit - shown);
      document.getElementById("filter-clear").disabled = all && state.sort === "n" && !state.down;
    }

    function sort() {
      const key = state.sort;
      const sign = state.down ? -1 : 1;
      const value = function (row) { return row.querySelector('[data-key="' + key + '"]').dataset.sort; };
      const order = function (row) { return Number(row.dataset.n); };
      const keyed = rows.map(function (row) { return { row: row, key: value(row), n: order(row) }; });
      const compare = key === "n" ? function (a, b) { return a.n - b.n; }
        : function (a, b) { return collator.compare(a.key, b.key); };
      keyed.sort(function (a, b) { return sign * compare(a, b) || a.n - b.n; });
      ordered = keyed.map(function (one) { return one.row; });
      body.append(...ordered);
      for (const head of table.tHead.querySelectorAll("th[data-key]")) {
        if (head.dataset.key === key) {
          head.setAttribute("aria-sort", state.down ? "descending" : "ascending");
        } else {
          head.removeAttribute("aria-sort");
        }
      }
      sorter.value = key;
    }

    function remember() {
      const link = new URLSearchParams();
      for (const field of FIELDS) if (selects[field].value) link.set(field, selects[field].value);
      if (state.sort !== "n" || state.down) link.set("sort", (state.down ? "-" : "") + state.sort);
      const hash = link.toString();
      history.replaceState(null, "", hash ? "#" + hash : "#cases");
    }

    function fromHash(move) {
      const hash = location.hash.slice(1);
      const marked = /^case-\d+$/.test(hash) ? document.getElementById(hash) : null;
      if (marked && away(marked)) {
        clear();
        if (away(marked)) {
          state.most = PART * Math.ceil((ordered.indexOf(marked) + 1) / PART);
          apply();
        }
        marked.scrollIntoView();
      }
      if (!hash.includes("=")) return;
      const link = new URLSearchParams(hash);
      for (const field of FIELDS) {
        selects[field].value = link.get(field) || "";
        if (selects[field].selectedIndex < 0) selects[field].value = "";
      }
      const wanted = link.get("sort") || "n";
      state.down = wanted.startsWith("-");
      state.sort = wanted.replace(/^-/, "");
      if (!table.tHead.querySelector('th[data-key="' + CSS.escape(state.sort) + '"]')) state.sort = "n";
      state.most = PART;
      sort();
      apply();
      if (move) {
        const heading = document.getElementById("cases-heading");
        heading.scrollIntoView();
        heading.focus({ preventScroll: true });
      }
    }

    function away(row) {
      return row.hidden || row.classList.contains("later");
    }

    function clear() {
      for (const field of FIELDS) selects[field].value = "";
      state.sort = "n";
      state.down = false;
      state.most = PART;
      sort();
      apply();
    }

    for (const field of FIELDS) {
      selects[field].addEventListener("change", function () {
        state.most = PART;
        apply(); remember();
      });
    }
    sorter.addEventListener("change", function () {
      state.sort = sorter.value;
      state.down = false;
      state.most = PART;
      sort(); apply(); remember();
    });
    for (const head of table.tHead.querySelectorAll("th[data-key]")) {
      head.querySelector("button").addEventListener("click", function () {
        state.down = state.sort === head.dataset.key && !state.down;
        state.sort = head.dataset.key;
        state.most = PART;
        sort(); apply(); remember();
      });
    }
    document.getElementById("filter-clear").addEventListener("click", function () {
      clear(); remember();
      selects[FIELDS[0]].focus();
    });
    more.addEventListener("click", function () {
      const next = state.most;
      state.most += PART;
      apply();
      const fits = ordered.filter(function (row) { return !row.hidden; });
      (fits[next].querySelector("a") || more).focus();
    });
    window.addEventListener("hashchange", function () { fromHash(true); });

    filters.hidden = false;
    table.classList.add("live");
    sort();
    apply();
    fromHash(true);
  }

  if (table && filters) setUpCases();
})();
