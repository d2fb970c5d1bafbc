"""`batch` on a large workbook beside what reading and writing it take with the same libraries, in one run.

    python -m tests.benchmarks.batch_workbook [rows]

The peer reads every row with python-calamine and writes it, with four short cells added, with openpyxl's streaming writer:
what a workbook of that size costs before anything is checked.
"""

from __future__ import annotations

import sys
import tempfile
import time
from pathlib import Path

import openpyxl
import python_calamine
import xlsxwriter

from bitting.batch.columns import Wanted
from bitting.batch.job import Job
from bitting.batch.run import run_batch
from tests.benchmarks import batch_rows
from tests.benchmarks.batch_csv import peak


def main() -> None:
    """Print times and rates."""
    number = int(sys.argv[1]) if len(sys.argv) > 1 else 200_000
    texts = batch_rows.codes(number, random=0.0167, slips=0.0483, malformed=0.0017)
    knot = batch_rows.system()
    with tempfile.TemporaryDirectory() as folder:
        source, target = Path(folder) / "in.xlsx", Path(folder) / "out.xlsx"
        with xlsxwriter.Workbook(source, {"constant_memory": True}) as book:
            page = book.add_worksheet("fleet")
            page.write_row(0, 0, ["unit", "code", "customer", "remark"])
            for row, text in enumerate(texts, 1):
                page.write_row(row, 0, [row, text, f"customer {row % 997}", f"lot {row % 13}"])
        begun = time.perf_counter()
        rows = python_calamine.CalamineWorkbook.from_path(source).get_sheet_by_index(0).to_python()
        read = time.perf_counter() - begun
        begun = time.perf_counter()
        plain = openpyxl.Workbook(write_only=True)
        sheet = plain.create_sheet("fleet")
        for values in rows:
            sheet.append([*values, "legal", values[1], "", ""])
        plain.save(target)
        wrote = time.perf_counter() - begun
        del rows
        begun = time.perf_counter()
        order = Job(str(source), str(target), Wanted("code"), force=True, suggestions=0)
        summary = run_batch(order, knot)
        took = time.perf_counter() - begun
    print(f"calamine reading {read:.2f} s, openpyxl writing {wrote:.2f} s, together {read + wrote:.2f} s")
    print(
        f"batch, {number:,} rows: {took:.2f} s, {took / (read + wrote):.2f} times; {summary.legal:,} legal; peak {peak()} MB"
    )


if __name__ == "__main__":
    main()
