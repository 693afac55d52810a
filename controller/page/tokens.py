"""Who may see the page and who may act on it: 128-bit tokens, kept as hashes only.

A token is random and long, so one round of SHA-256 keeps it as well as a slow hash would.
"""

import hashlib
import hmac
import json
import os
import re
import secrets
from pathlib import Path
from typing import Final, Literal, NamedTuple

Role = Literal["read", "operate"]
ROLES: Final[tuple[Role, ...]] = ("read", "operate")
TOKEN_BYTES: Final = 16
_NAME: Final = re.compile(r"^[A-Za-z][A-Za-z0-9 _.-]{0,31}$")


class TokenError(ValueError):
    """A token that can't be made, found or read; the text never holds a token."""


class Holder(NamedTuple):
    """Who holds a token. name: as recorded with each act."""

    name: str
    role: Role

    @property
    def may_act(self) -> bool:
        """Whether more than looking is allowed."""
        return self.role == "operate"


class Tokens:
    """The tokens of one site, in a small file that only its owner may read."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._stamp: tuple[int, int, int] | None = None
        self._held: dict[str, Holder] = {}

    def holders(self) -> list[Holder]:
        """Everyone with a token. Raises TokenError when the file is spoilt."""
        self._look()
        return list(self._held.values())

    def holder(self, token: str) -> Holder | None:
        """Whose token it is, None for nobody's. Every kept hash is compared, in constant time.

        Raises TokenError when the file is spoilt.
        """
        self._look()
        given = _hashed(token)
        found = None
        for kept, holder in self._held.items():
            if hmac.compare_digest(kept, given):
                found = holder
        return found

    def make(self, name: str, role: str) -> str:
        """A new token for `name`; one that it had is worthless from now on. Raises TokenError."""
        if not _NAME.match(name):
            raise TokenError(
                f"{name!r} as the name of a holder; write 1 to 32 letters, digits, spaces, _ . -, "
                "a letter first"
            )
        if role not in ROLES:
            raise TokenError(f"role {role!r}; write one of {', '.join(ROLES)}")
        self._look()
        token = secrets.token_urlsafe(TOKEN_BYTES)
        held = {key: one for key, one in self._held.items() if one.name != name}
        self._write({**held, _hashed(token): Holder(name, role)})
        return token

    def drop(self, name: str) -> None:
        """Make the token of `name` worthless. Raises TokenError when there is none."""
        self._look()
        held = {key: one for key, one in self._held.items() if one.name != name}
        if len(held) == len(self._held):
            names = ", ".join(one.name for one in self._held.values()) or "nobody"
            raise TokenError(f"{name!r} has no token; there are tokens for {names}")
        self._write(held)

    def _write(self, held: dict[str, Holder]) -> None:
        data = {key: list(one) for key, one in held.items()}
        fresh = self.path.with_name(self.path.name + ".new")
        try:
            self.path.parent.mkdir(parents=True, exist_ok=True, mode=0o750)
            fresh.unlink(missing_ok=True)
            with os.fdopen(os.open(fresh, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w") as out:
                json.dump(data, out)
            fresh.replace(self.path)
        except OSError as error:
            raise TokenError(f"{self.path} can't be written: {error.strerror}") from error
        self._stamp = None

    def _look(self) -> None:
        """Read the file again if it changed."""
        try:
            found = self.path.stat()
            stamp = (found.st_ino, found.st_mtime_ns, found.st_size)
            if stamp == self._stamp:
                return
            data = json.loads(self.path.read_text(encoding="utf-8"))
            held = {str(key): Holder(str(one[0]), one[1]) for key, one in data.items()}
            if any(len(key) != 64 or one.role not in ROLES for key, one in held.items()):
                raise ValueError
        except FileNotFoundError:
            self._held, self._stamp = {}, None
            return
        except (OSError, ValueError, AttributeError, LookupError, TypeError) as error:
            self._held, self._stamp = {}, None
            raise TokenError(
                f"{self.path} can't be read as a file of tokens, so nobody is let in; "
                "delete it and make new ones with `warmfoot token new`"
            ) from error
        self._held, self._stamp = held, stamp


def _hashed(token: str) -> str:
    return hashlib.sha256(token.encode("utf-8", "replace")).hexdigest()
