"""A name for what is kept of a file before another takes its place."""

from datetime import UTC, datetime
from pathlib import Path


def free_beside(path: Path, mark: str) -> Path:
    """`path` with .MARK after its name, or .MARK-2, .MARK-3 ... where there is one already."""
    kept, count = path.with_name(f"{path.name}.{mark}"), 1
    while kept.exists():
        count += 1
        kept = path.with_name(f"{path.name}.{mark}-{count}")
    return kept


def stamped_beside(path: Path, mark: str) -> Path:
    """The same with the time of now in UTC: .MARK-20260302T073000Z."""
    return free_beside(path, f"{mark}-{datetime.now(UTC):%Y%m%dT%H%M%SZ}")
