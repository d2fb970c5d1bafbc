"""Spreadsheets in, the same rows out: many codes at once, and tables as they really are.

- `bitting.batch.many`: verdicts of many codes as arrays (`check_many`)
- `bitting.batch.shapes`, `bitting.batch.legality`: how texts are read by shape and judged by table
- `bitting.batch.desk`: the four added cells of a row, and what is counted on the way
- `bitting.batch.mend`: what spreadsheets do to codes
- `bitting.batch.layout`: where the codes stand in a table
- `bitting.batch.encoding`, `bitting.batch.records`, `bitting.batch.delimited`: CSV and its relatives
- `bitting.batch.job`: one run, from file to file
"""

from bitting.batch.many import CheckedMany, Verdict, check_many

__all__ = ["CheckedMany", "Verdict", "check_many"]
