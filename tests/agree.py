"""Every published number of `tests/authorities`, ours beside it: a table on stdout, and reports/agreement.json and .md with --write.

python tests/agree.py            # the quick rows afresh (under a minute), the slow ones as kept
python tests/agree.py --slow     # all afresh; rows on real terrain need ../shared/data beside the checkout
"""

from __future__ import annotations

import argparse
import sys

from agreement.page import page, terminal
from agreement.rows import KEPT, all_rows, text_of


def main() -> None:
    """Compute, print, write."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument(
        "--slow", action="store_true", help="compute the slow rows afresh, not only the quick ones"
    )
    parser.add_argument(
        "--write", action="store_true", help=f"write {KEPT.name} and its page into {KEPT.parent.name}/"
    )
    parser.add_argument("--json", action="store_true", help="print JSON instead of the table")
    chosen = parser.parse_args()
    rows = all_rows(chosen.slow, tell)
    tell("")
    print(text_of(rows) if chosen.json else terminal(rows), end="")
    if chosen.write:
        KEPT.write_text(text_of(rows), encoding="utf-8")
        KEPT.with_suffix(".md").write_text(page(rows), encoding="utf-8")


def tell(key: str) -> None:
    """The row being computed, where somebody looks on."""
    if sys.stderr.isatty():
        print(f"\r{key:<78}" if key else f"\r{'':<78}\r", end="", file=sys.stderr, flush=True)


if __name__ == "__main__":
    main()
