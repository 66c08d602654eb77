"""Coverage of U of the mean of a cloth, by number of fields, their scatter and the gaps.

python tests/benchmarks/field_coverage_table.py
"""

from __future__ import annotations

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "support"))

from field_coverage import covered

APART = (0.0, 0.2, 0.4, 0.7, 1.0, 1.5)


def main() -> None:
    """Print the table; 95.45 % is stated."""
    print("fields   gaps  " + "".join(f"{f's = {apart:g} um':>11}" for apart in APART))
    for fields in (3, 4, 5, 7, 10):
        for gaps in (40, 400, 4000):
            shares = [covered(fields, a, gaps, cloths=2000, seed=(fields, gaps)) for a in APART]
            print(f"{fields:6} {gaps:6}  " + "".join(f"{100 * s:9.1f} %" for s in shares))


if __name__ == "__main__":
    main()
