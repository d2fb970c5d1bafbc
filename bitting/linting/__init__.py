"""What follows from a system file, proved: clashing and idle rules, unusable depths, metal that can't stand.

```
found = lint(system)
found.clean                      # no error and no warning
found.findings                   # code, level, message, and a witness code where one shows it
```

What is about codes is counted on the diagram (`rules`, `readout`, `en1303`); what is about metal is computed from the
file's figures for every pair of depths that legal codes have together (`table`, `reach`, `metal`).
"""

from bitting.linting.result import CODES, Linted, LintFinding
from bitting.linting.run import errors_of, lint

__all__ = ["CODES", "LintFinding", "Linted", "errors_of", "lint"]
