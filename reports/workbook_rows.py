"""The rows of a workbook's sheet as XML, a column at a time.

xlsxwriter takes a call for every cell, which for a month's tables costs more than reading and
judging the month. Its worksheet class is made to be extended; this one writes whole tables of
texts and numbers, in the very bytes that its own calls would.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import xlsxwriter.worksheet
from xlsxwriter.utility import xl_col_to_name

if TYPE_CHECKING:
    import pandas as pd

LONGEST_TEXT = 32_767


class TableSheet(xlsxwriter.worksheet.Worksheet):  # type: ignore[misc]
    """A worksheet in constant-memory mode that also takes a table at once."""

    def write_rows(self, first: int, frame: pd.DataFrame, formats: Sequence[Any]) -> None:
        """Write `frame` from row `first` on, a format a column; nothing may be below it yet.

        Missing values stay empty, infinite ones are the word "unbounded", texts stay texts.
        """
        if not len(frame):
            return
        self._write_single_row(first)  # the rows before are still held back
        columns = [
            self._column_xml(frame[name], place, first, form)
            for place, (name, form) in enumerate(zip(frame, formats, strict=True))
        ]
        last = first + len(frame) - 1
        self._check_dimensions(first, 0)
        self._check_dimensions(last, len(frame.columns) - 1)
        rows = zip(*columns, strict=True)
        for number, cells in enumerate(rows, start=first + 1):
            if body := "".join(cells):
                self.row_data_fh.write(f'<row r="{number}">{body}</row>')
        self._write_single_row(last + 1)

    def _column_xml(self, column: pd.Series, place: int, first: int, form: Any) -> list[str]:
        """The cells of one column; an empty text where there is no cell."""
        codes, values = column.factorize()
        texts = [self._cell_xml(value, form._get_xf_index()) for value in values.tolist()]
        texts.append("")  # the code of a missing value is -1
        letter = xl_col_to_name(place)
        return [
            f'<c r="{letter}{number}"{text}' if (text := texts[code]) else ""
            for number, code in enumerate(codes.tolist(), start=first + 1)
        ]

    def _cell_xml(self, value: Any, form: int) -> str:
        """What follows a cell's place: its format and value; booleans carry no format."""
        if isinstance(value, bool):
            return f' t="b"><v>{int(value)}</v></c>'
        if isinstance(value, int | float) and not math.isinf(value):
            return f' s="{form}"><v>{value:.16G}</v></c>'
        style = "" if isinstance(value, float) else f' s="{form}"'
        text = "unbounded" if isinstance(value, float) else str(value)
        if len(text) > LONGEST_TEXT:
            text = text[: LONGEST_TEXT - 2] + " …"
        shown = self._escape_data(self._escape_control_characters(text))
        kept = ' xml:space="preserve"' if text != text.strip() else ""
        return f'{style} t="inlineStr"><is><t{kept}>{shown}</t></is></c>'
