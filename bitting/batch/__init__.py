"""Spreadsheets in, the same rows out: many codes at once, and tables as they really are.

- `many`: verdicts of many codes as arrays (`check_many`); `judge`: a system made ready for it
- `shapes`, `spans`, `legality`, `blame`, `canonical`: texts read by shape, judged by table, blamed and written together
- `desk`: the four added cells of a row, and what is counted on the way; `summary`: the figures as a value
- `suggest`: the nearest legal codes of many wrong ones together; `seen`, `near`: codes repeated, or one slip from another
- `mend`, `cells`: what spreadsheets do to codes
- `layout`: where the codes stand in a table
- `encoding`, `form`, `records`, `lazy`, `held`, `delimited`: CSV and its relatives, byte for byte
- `guard`, `workbook`, `sheets`: XLSX
- `job`: one run, from file to file
"""

from bitting.batch.judge import Verdict
from bitting.batch.many import CheckedMany, check_many

__all__ = ["CheckedMany", "Verdict", "check_many"]
