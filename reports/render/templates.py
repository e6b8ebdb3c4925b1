"""The pages' templates: one environment for all of them, and what fills one with a page's data."""

from __future__ import annotations

import hashlib
import sys
from collections.abc import Mapping
from contextlib import suppress
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from reports.charts import palette
from reports.charts.figure_json import has_arrow_heads, safe_json
from reports.text import words

if TYPE_CHECKING:
    from jinja2 import BytecodeCache, Environment
    from jinja2.bccache import Bucket

    from reports.charts.chart_parts import Figure

HERE = Path(__file__).parent


def filled(
    template: str,
    page: Any,
    figures: Mapping[str, list[Figure]],
    assets: dict[str, str],
    **more: Any,
) -> bytes:
    """A page as HTML: its template filled with its data and, for the script, its figures."""
    html = environment().get_template(template).render(
        page=page, figures=safe_json(figures), assets=assets, **named(figures), **more,
    )  # fmt: skip
    return html.encode()


def named(figures: Mapping[str, list[Figure]]) -> dict[str, list[str]]:
    """Which figures there are, and which of them have intervals that run past the axis."""
    cut = [name for name, variants in figures.items() if has_arrow_heads(variants)]
    return {"figure_ids": sorted(figures), "cut_figures": sorted(cut)}


@cache
def environment() -> Environment:
    """The templates' one environment: everything escaped, control characters spelled out."""
    import jinja2

    class Templates(jinja2.Environment):
        """Data are dicts, so `row.at` is looked up as a key first."""

        def getattr(self, obj: Any, attribute: str) -> Any:
            if type(obj) is dict and attribute in obj:
                return obj[attribute]
            return super().getattr(obj, attribute)

    shared = Templates(
        loader=jinja2.FileSystemLoader(sorted(HERE.parent.iterdir())),
        auto_reload=False,
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        finalize=_shown,
        trim_blocks=True,
        lstrip_blocks=True,
        bytecode_cache=_compiled(),
    )
    shared.globals.update(palette=palette, words=words)
    return shared


def _compiled() -> BytecodeCache:
    """Templates as they were compiled before, beside compiled modules and as far as these are.

    The name says what they were compiled by; jinja itself looks whether the template is the same.
    """
    import jinja2

    class Beside(jinja2.FileSystemBytecodeCache):
        def dump_bytecode(self, bucket: Bucket) -> None:
            if sys.dont_write_bytecode:
                return
            with suppress(OSError):
                folder.mkdir(exist_ok=True)
                super().dump_bytecode(bucket)

    folder = HERE / "__pycache__"
    by = hashlib.sha256(Path(__file__).read_bytes() + jinja2.__version__.encode()).hexdigest()[:16]
    return Beside(str(folder), f"{by}-%s.template")


def _shown(value: Any) -> Any:
    if value is None:
        return ""
    if type(value) is str and not (value.isascii() and value.isprintable()):
        return words.visible(value)
    return value
