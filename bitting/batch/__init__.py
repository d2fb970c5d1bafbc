"""Spreadsheets in, the same rows out: many codes or measured keys at once, and tables as they really are.

From file to file: `job` (what is to be done), `run` (one run), `columns` (where the texts stand), `output` (the columns
that are added), `summary` (the figures). Rows: `check_rows` for codes, `decode_rows` and `decoder` for readings, `systems`
for what each row names. Files: `csv/` byte for byte, `xlsx/`, `parquet`, `values` (cells with values, and answers written
in another kind).

Many codes: `many` (`check_many`), `judge` (a system made ready), `shapes` (texts read by shape), `explain` (which rules are
broken), `suggest` (nearest legal codes), `duplicates` (codes repeated, or one slip apart), `listing` (what no single row
can say), `damage` and `dates` (what spreadsheets do to codes).
"""

from bitting.batch.judge import Verdict
from bitting.batch.many import CheckedMany, check_many

__all__ = ["CheckedMany", "Verdict", "check_many"]
