"use strict";
/* The case list: filter, sort, deep links such as #rule=wall-oxygen-time or #case-3. */
(function () {
  const table = document.getElementById("case-table");
  const filters = document.getElementById("case-filters");
  const FIELDS = ["group", "rule", "base", "cannula"];

  function setUpCases() {
    const body = table.tBodies[0];
    const rows = Array.from(body.rows);
    const selects = {};
    for (const field of FIELDS) selects[field] = document.getElementById("filter-" + field);
    const sorter = document.getElementById("sort-by");
    const count = document.getElementById("case-count");
    const none = document.getElementById("case-none");
    const collator = new Intl.Collator(document.documentElement.lang, { numeric: true });
    const state = { sort: "n", down: false };

    function holds(row, field, wanted) {
      if (!wanted) return true;
      if (field === "rule") return row.dataset.rule.split(" ").includes(wanted);
      return row.dataset[field] === wanted;
    }

    function apply() {
      let shown = 0;
      for (const row of rows) {
        row.hidden = !FIELDS.every(function (f) { return holds(row, f, selects[f].value); });
        if (!row.hidden) shown += 1;
      }
      const all = shown === rows.length;
      count.textContent = all ? "All " + rows.length + " shown"
        : shown + " of " + rows.length + " shown";
      none.hidden = shown > 0;
      document.getElementById("filter-clear").disabled = all && state.sort === "n" && !state.down;
    }

    function sort() {
      const key = state.sort;
      const sign = state.down ? -1 : 1;
      const value = function (row) { return row.querySelector('[data-key="' + key + '"]').dataset.sort; };
      const order = function (row) { return Number(row.dataset.n); };
      rows.slice().sort(function (a, b) {
        return sign * collator.compare(value(a), value(b)) || order(a) - order(b);
      }).forEach(function (row) { body.append(row); });
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
      if (marked && marked.hidden) { clear(); marked.scrollIntoView(); }
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
      sort();
      apply();
      if (move) {
        const heading = document.getElementById("cases-heading");
        heading.scrollIntoView();
        heading.focus({ preventScroll: true });
      }
    }

    function clear() {
      for (const field of FIELDS) selects[field].value = "";
      state.sort = "n";
      state.down = false;
      sort();
      apply();
    }

    for (const field of FIELDS) {
      selects[field].addEventListener("change", function () { apply(); remember(); });
    }
    sorter.addEventListener("change", function () {
      state.sort = sorter.value;
      state.down = false;
      sort(); apply(); remember();
    });
    for (const head of table.tHead.querySelectorAll("th[data-key]")) {
      head.querySelector("button").addEventListener("click", function () {
        state.down = state.sort === head.dataset.key && !state.down;
        state.sort = head.dataset.key;
        sort(); apply(); remember();
      });
    }
    document.getElementById("filter-clear").addEventListener("click", function () {
      clear(); remember();
      selects[FIELDS[0]].focus();
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
