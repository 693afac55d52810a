"""A name for what is kept of a file before another takes its place."""

from pathlib import Path


def free_beside(path: Path, mark: str) -> Path:
    """`path` with .MARK after its name, or .MARK-2, .MARK-3 ... where there is one already."""
    kept, count = path.with_name(f"{path.name}.{mark}"), 1
    while kept.exists():
        count += 1
        kept = path.with_name(f"{path.name}.{mark}-{count}")
    return kept
