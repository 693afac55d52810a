"""What is kept of a file takes no other's place."""

from pathlib import Path

from config.beside import free_beside


def test_name_is_free_and_counted_where_it_is_taken(tmp_path: Path) -> None:
    path = tmp_path / "bench.toml"
    made = []
    for _ in range(3):
        made.append(free_beside(path, "before"))
        made[-1].touch()
    assert [one.name for one in made] == [
        "bench.toml.before", "bench.toml.before-2", "bench.toml.before-3",
    ]  # fmt: skip
