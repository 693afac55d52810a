"""From a file to a site, and files that are not bench files at all."""

import os
import subprocess
import sys
from importlib.resources import files
from pathlib import Path

import pytest

from config.load import ConfigError, hash_of, load, load_with_text, loads

EXAMPLE = files("config").joinpath("examples/alder_lane.toml").read_text(encoding="utf-8")


def complaint(path: Path) -> str:
    with pytest.raises(ConfigError) as caught:
        load(path)
    return str(caught.value)


@pytest.fixture
def bench(tmp_path: Path) -> Path:
    return tmp_path / "bench.toml"


def test_text_is_given_back_as_it_was_read(bench: Path) -> None:
    bench.write_text(EXAMPLE, encoding="utf-8")
    site, text = load_with_text(bench)
    assert text == EXAMPLE
    assert loads(text, "again") == site == load(bench)


def test_hash_is_sha_256_of_the_text() -> None:
    # FIPS 180-2, appendix B.1: the one-block message "abc".
    assert hash_of("abc") == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"


def test_byte_order_mark_and_windows_line_ends_are_read(bench: Path) -> None:
    bench.write_bytes(b"\xef\xbb\xbf" + EXAMPLE.replace("\n", "\r\n").encode())
    assert load(bench) == loads(EXAMPLE, "x")


def test_missing_file(bench: Path) -> None:
    assert complaint(bench) == f"{bench}: there is no such file; check the name and the directory"


def test_directory(tmp_path: Path) -> None:
    words = "this is a directory; give the name of the bench file in it"
    assert complaint(tmp_path) == f"{tmp_path}: {words}"


def test_empty_file(bench: Path) -> None:
    bench.write_bytes(b"")
    words = "the file is empty; begin with [site] and the name of it"
    assert complaint(bench) == f"bench.toml: {words}"


def test_file_that_is_not_utf_8_is_refused_with_the_line(bench: Path) -> None:
    bench.write_bytes(EXAMPLE.replace('Nursery"', 'Nürsery"').encode("latin-1"))
    line = EXAMPLE[: EXAMPLE.index('name = "')].count("\n") + 1
    words = "this is not UTF-8 text; save the file as UTF-8"
    assert complaint(bench) == f"bench.toml line {line}: {words}"


def test_utf_16_is_refused(bench: Path) -> None:
    bench.write_bytes(EXAMPLE.encode("utf-16"))
    words = "this is not UTF-8 text; save the file as UTF-8"
    assert complaint(bench) == f"bench.toml line 1: {words}"


def test_huge_file_is_refused_unread(bench: Path) -> None:
    with bench.open("wb") as stream:
        stream.truncate(10**12)
    assert complaint(bench) == f"{bench}: it is larger than 1 MB, so it is not a bench file"


def test_pipe_is_refused_without_waiting(bench: Path) -> None:
    os.mkfifo(bench)
    words = "this is not a plain file; give the name of a bench file"
    assert complaint(bench) == f"{bench}: {words}"


def test_endless_device_is_refused() -> None:
    assert "this is not a plain file" in complaint(Path("/dev/zero"))


def test_unreadable_file(bench: Path) -> None:
    bench.write_text(EXAMPLE)
    bench.chmod(0)
    me = os.geteuid()
    if me == 0:
        os.seteuid(65534)  # root may read everything, nobody may not
    try:
        said = complaint(bench)
    finally:
        os.seteuid(me)
    assert said == f"{bench}: it may not be read; let this user read it"


def test_name_that_no_file_can_have() -> None:
    assert "it cannot be read" in complaint(Path("a\0b"))


def test_link_within_the_program_is_refused_in_a_file_and_taken_from_a_program(bench: Path) -> None:
    port = next(line for line in EXAMPLE.split("\n") if line.startswith("port ="))
    text = EXAMPLE.replace('"serial"', '"memory"').replace(port, "")
    bench.write_text(text)
    assert "such a link ends inside the program itself" in complaint(bench)
    assert loads(text, "x").links["board"].kind == "memory"


def test_sound_file_needs_none_of_the_error_machinery(bench: Path) -> None:
    """A daemon that starts must not pay for words that it does not say."""
    bench.write_text(EXAMPLE)
    code = (
        "import sys; from pathlib import Path; from config.load import load; import config.words;"
        f"load(Path({str(bench)!r})); assert config.words._root.cache_info().currsize == 0"
    )
    subprocess.run([sys.executable, "-c", code], check=True, cwd=Path(__file__).parents[2])
