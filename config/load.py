"""Bench file to checked Site, or one error that lists everything to put right."""

import hashlib
import os
import stat
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from config.errors import ConfigError, Problem
from config.explain import explain, path_of, sentence
from config.findings import Finding
from config.meaning import meaning
from config.model import Site
from config.positions import line_of, positions
from config.syntax import parse

__all__ = ["ConfigError", "Problem", "hash_of", "load", "load_with_text", "loads"]

LARGEST_BYTES = 1_000_000
_ANY_SITE = {"name": "any", "timezone": "UTC", "latitude_deg": 0, "longitude_deg": 0}


def load(path: Path) -> Site:
    """The site that a bench file describes.

    Raises ConfigError, listing every problem, when the file cannot be read or is not sound.
    """
    return load_with_text(path)[0]


def load_with_text(path: Path) -> tuple[Site, str]:
    """The site, and the text it was read from, which the journal keeps. Raises as `load` does."""
    text = _read(path)
    return loads(text, path.name, embedded=False), text


def loads(text: str, file: str, *, embedded: bool = True) -> Site:
    """The site that a bench file's text describes.

    file: name of it, for messages.  embedded: allow links of kind memory, which work only within
    a program that holds both their ends.  Raises ConfigError, listing every problem.
    """
    doc = parse(text, file)
    if not doc:
        raise ConfigError(
            [Problem(file, None, None, "the file is empty; begin with [site] and the name of it")]
        )
    try:
        site = Site.model_validate(doc)
    except ValidationError as refused:
        findings = _all_findings(refused, doc)
    else:
        findings = _said([*meaning(site), *([] if embedded else _memory_links(site))], doc)
        if not findings:
            return site
    lines = positions(text)
    problems = {Problem(file, line_of(path, lines), None, said) for path, said in findings}
    raise ConfigError(sorted(problems, key=lambda problem: (problem.line or 0, problem.text)))


def hash_of(text: str) -> str:
    """SHA-256 of a bench file's text, as 64 hex digits; rows of the journal point to it."""
    return hashlib.sha256(text.encode()).hexdigest()


def _memory_links(site: Site) -> Iterator[Finding]:
    for name, link in site.links.items():
        if link.kind == "memory":
            yield Finding(
                ("links", name, "kind"),
                "such a link ends inside the program itself; write one of "
                '"modbus", "mqtt", "serial"',
            )


def _said(findings: list[Finding], doc: dict[str, Any]) -> list[Finding]:
    return [Finding(path, sentence(path, doc, text)) for path, text in findings]


def _all_findings(refused: ValidationError, doc: dict[str, Any]) -> list[Finding]:
    """What the model refused, and what is wrong in meaning where it refused nothing.

    A bench, or a table at the top, with a refusal is left out of the second look: what was refused
    may be the very key whose lack would be reported. With a link in doubt there is no second look.
    """
    errors = refused.errors(include_url=False)
    findings = list(explain(errors, doc))
    paths = [path_of(error) for error in errors]
    doubtful = {path[:2] if path[0] == "benches" else path[:1] for path in paths}
    rest = {key: value for key, value in doc.items() if (key,) not in doubtful}
    rest["site"] = _ANY_SITE  # nothing in meaning hangs on it
    if isinstance(benches := rest.get("benches"), dict):
        sure = {key: value for key, value in benches.items() if ("benches", key) not in doubtful}
        rest["benches"] = sure
    try:
        site = Site.model_validate(rest)
    except ValidationError:
        return findings
    return findings + _said(list(meaning(site)), doc)


def _read(path: Path) -> str:
    """Text of a file that is small, plain and UTF-8. Raises ConfigError in a person's words."""
    file = str(path)
    try:
        with open(path, "rb", opener=_without_waiting) as stream:
            if not stat.S_ISREG(os.fstat(stream.fileno()).st_mode):
                raise _unread(file, "this is not a plain file; give the name of a bench file")
            data = stream.read(LARGEST_BYTES + 1)
    except FileNotFoundError:
        raise _unread(file, "there is no such file; check the name and the directory") from None
    except IsADirectoryError:
        raise _unread(file, "this is a directory; give the name of the bench file in it") from None
    except PermissionError:
        raise _unread(file, "it may not be read; let this user read it") from None
    except ConfigError:
        raise
    except (OSError, ValueError) as error:
        raise _unread(file, f"it cannot be read: {error}") from None
    if len(data) > LARGEST_BYTES:
        raise _unread(file, "it is larger than 1 MB, so it is not a bench file")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        raise ConfigError(
            [Problem(path.name, line, None, "this is not UTF-8 text; save the file as UTF-8")]
        ) from None


def _without_waiting(name: str, flags: int) -> int:
    """Opens without waiting for a writer, should the name be that of a pipe."""
    return os.open(name, flags | os.O_NONBLOCK)


def _unread(file: str, text: str) -> ConfigError:
    return ConfigError([Problem(file, None, None, text)])
