"""Style and script, read once; each is served under a name made from what is in it."""

import gzip
import hashlib
from importlib.resources import files
from typing import Final, NamedTuple

from controller.draw.plot import STYLE

SCRIPTS: Final = ("live.js", "cursor.js")


class ServedFile(NamedTuple):
    name: str
    kind: str
    plain: bytes
    packed: bytes


class _Files:
    def __init__(self) -> None:
        folder = files("controller.page").joinpath("static")
        style = folder.joinpath("look.css").read_text(encoding="utf-8") + STYLE
        scripts = [folder.joinpath(name).read_text(encoding="utf-8") for name in SCRIPTS]
        self.style = _served("css", "text/css; charset=utf-8", style)
        self.script = _served("js", "text/javascript; charset=utf-8", "\n".join(scripts))
        self.by_name = {one.name: one for one in (self.style, self.script)}


def _served(ending: str, kind: str, content: str) -> ServedFile:
    plain = content.encode()
    name = f"{hashlib.sha256(plain).hexdigest()[:12]}.{ending}"
    return ServedFile(name, kind, plain, gzip.compress(plain, 9, mtime=0))


FILES: Final = _Files()
