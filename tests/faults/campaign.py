"""The fault campaign: plays the matrix and prints fault, expected, seen, verdict.

.venv/bin/python tests/faults/campaign.py            all of it
.venv/bin/python tests/faults/campaign.py 18 c2 45   these rows
.venv/bin/python tests/faults/campaign.py --area link
.venv/bin/python tests/faults/campaign.py --lot 500 20   faults by lot: 20 from seed 500 on
"""

import argparse
import logging
import subprocess
import sys
import tempfile
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Final

ROOT: Final = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from cases import Case, Outcome, play  # noqa: E402
from chance import drawn, play_drawn  # noqa: E402
from matrix import MATRIX  # noqa: E402
from rich.console import Console  # noqa: E402
from rich.table import Table  # noqa: E402


def rerun(number: str) -> Outcome:
    """The row of that number, in a process of its own: a fault must not reach the next."""
    logging.disable(logging.CRITICAL)
    with tempfile.TemporaryDirectory() as folder:
        if number.startswith("r"):
            return play_drawn(int(number[1:]), Path(folder))
        return play(next(case for case in MATRIX if case.number == number), Path(folder))


def held(case: Case) -> tuple[bool, str]:
    """A row that a test of the suite holds: run that test, and see that it was not skipped."""
    done = subprocess.run(
        [sys.executable, "-m", "pytest", case.held_by, "--tb=no", "-m", ""],
        cwd=ROOT, capture_output=True, text=True,
    )  # fmt: skip
    last = done.stdout.strip().splitlines()[-1:] or ["nothing ran"]
    skipped = "SKIPPED" in done.stdout
    return done.returncode == 0 and not skipped, f"held by {case.held_by}" + (
        "" if done.returncode == 0 and not skipped else f": {last[0]}"
    )


def main(words: Sequence[str] | None = None) -> int:
    """Print the table; the number of rows that failed is the exit code."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("rows", nargs="*", help="numbers of rows; all when left out")
    parser.add_argument("--area", help="only this area")
    parser.add_argument("--no-held", action="store_true", help="leave out rows held by tests")
    parser.add_argument("--lot", nargs=2, type=int, metavar=("SEED", "COUNT"), help="faults by lot")
    asked = parser.parse_args(words)
    lot = [drawn(asked.lot[0] + number) for number in range(asked.lot[1])] if asked.lot else []
    chosen = lot or [
        case
        for case in MATRIX
        if (not asked.rows or case.number in asked.rows)
        and asked.area in (None, case.area)
        and not (asked.no_held and case.held_by)
    ]
    table = Table("no", "area", "fault", "put in by", "expected", "seen", "verdict")
    failed = 0
    with ProcessPoolExecutor(2) as pool:
        runs = {case.number: pool.submit(rerun, case.number) for case in chosen if not case.held_by}
        for case in chosen:
            if case.held_by:
                good, seen = held(case)
                why = []
            else:
                outcome = runs[case.number].result()
                good, seen = not outcome.broken, outcome.seen
                why = [f"{found.invariant}: {found.text}" for found in outcome.broken]
            failed += not good
            verdict = "holds" if good else "\n".join(["BROKEN", *why])
            table.add_row(
                case.number, case.area, case.fault, case.how, case.expected, seen, verdict
            )
    Console(width=None if sys.stdout.isatty() else 200).print(table)
    print(f"{len(chosen)} rows, {len(chosen) - failed} hold, {failed} broken")
    return min(failed, 100)


if __name__ == "__main__":
    sys.exit(main())
