"""XLSX: `guard` before anything is unpacked, `read`, `write`, and `workbook` from file to file."""
