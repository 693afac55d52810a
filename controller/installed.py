"""The hands of `controller.installing`: looks at a machine, does its steps, says how it stands."""

import contextlib
import os
import re
import shutil
import subprocess
from collections.abc import Mapping
from pathlib import Path
from pathlib import PurePosixPath as Place
from typing import Final

from controller.installing import Command, Folder, Remove, Step, TakeJournal, Write
from controller.journal.upkeep import backup
from controller.service_unit import BENCH_FILE, SECRETS, SERIAL_GROUPS, STATE, UNIT, USER, Found

SHOWN: Final = ("LoadState", "UnitFileState", "ActiveState", "ActiveEnterTimestamp")
COMMAND_S: Final = 120.0
"""systemd itself gives a start up after 90 s."""


class StepFailed(OSError):
    """A step could not be done; what was done before it stands."""


class Machine:
    """A machine whose files lie under `root`. image: it does not run, only its files are there."""

    def __init__(self, root: Path = Path("/"), *, image: bool = False) -> None:
        self.root = root
        self.image = image

    def at(self, place: Place) -> Path:
        """Where a path of the machine lies for this program."""
        return self.root / place.relative_to("/")

    @property
    def booted(self) -> bool:
        """Whether systemd runs it, told as sd_booted(3) tells it."""
        return not self.image and self.at(Place("/run/systemd/system")).is_dir()

    def found(self, journal_at: Place | None = None) -> Found:
        """What is there. journal_at: where a journal would lie. Raises OSError."""
        shown = self.shown()
        groups = self._names("group")
        return Found(
            user=USER in self._names("passwd"),
            state_folder=self.at(STATE).is_dir(),
            serial_group=next((name for name in SERIAL_GROUPS if name in groups), None),
            unit=self._text(UNIT),
            bench=self._text(BENCH_FILE),
            secrets=self._secrets(),
            enabled=shown.get("UnitFileState") == "enabled",
            active=shown.get("ActiveState") in ("active", "activating", "reloading"),
            journal=journal_at is not None and self._there(journal_at),
        )

    def shown(self) -> Mapping[str, str]:
        """What systemd says of the service; nothing where it does not run or can't be asked."""
        if not self.booted:
            return {}
        try:
            said = subprocess.run(
                ["systemctl", "show", f"--property={','.join(SHOWN)}", USER],
                capture_output=True, text=True, timeout=30, check=True,
            ).stdout  # fmt: skip
        except (OSError, subprocess.SubprocessError):
            return {}
        return dict(line.split("=", 1) for line in said.splitlines() if "=" in line)

    def do(self, step: Step) -> None:
        """Do one step. Raises StepFailed."""
        try:
            self._do(step)
        except subprocess.CalledProcessError as error:
            said = (error.stderr or error.stdout or "").strip() or f"exit code {error.returncode}"
            raise StepFailed(said) from error
        except (OSError, subprocess.SubprocessError) as error:
            raise StepFailed(str(error)) from error

    def _do(self, step: Step) -> None:
        match step:
            case Command(command=words):
                subprocess.run(words, capture_output=True, text=True, timeout=COMMAND_S, check=True)
            case Folder(path=path, mode=mode, owner=owner):
                self.at(path).mkdir(parents=True, exist_ok=True)
                self.at(path).chmod(mode)
                self._give(self.at(path), owner)
            case Write(path=path, text=text, kept=kept):
                if kept is not None:
                    shutil.copy2(self.at(path), self.at(kept))
                self.at(path).parent.mkdir(parents=True, exist_ok=True)
                part = self.at(path).with_name(path.name + ".part")
                part.write_text(text, encoding="utf-8")
                part.chmod(0o644)
                part.replace(self.at(path))
            case TakeJournal(source=source, path=path):
                backup(Path(source), self.at(path))
                self.at(path).chmod(0o660)
                self._give(self.at(path), USER)
            case Remove(path=path):
                self.at(path).unlink(missing_ok=True)

    def _give(self, path: Path, owner: str) -> None:
        """Hand a path to a user of the machine. An image's users are not made yet."""
        if owner == "root" or self.image:
            return
        found = re.search(rf"^{owner}:[^:]*:(\d+):(\d+):", self._etc("passwd"), re.M)
        if found is None:
            raise StepFailed(f"there is no user {owner}, though it should be made by now")
        os.chown(path, int(found[1]), int(found[2]))

    def _there(self, place: Place) -> bool:
        """A folder that one may not look into is taken to hold it: nothing is put over it."""
        try:
            return self.at(place).exists()
        except PermissionError:
            return True

    def _text(self, place: Place) -> str | None:
        try:
            return self.at(place).read_text(encoding="utf-8", errors="replace")
        except FileNotFoundError:
            return None

    def _etc(self, name: str) -> str:
        with contextlib.suppress(OSError):
            return self.at(Place("/etc") / name).read_text(encoding="utf-8", errors="replace")
        return ""

    def _names(self, table: str) -> set[str]:
        return {line.split(":", 1)[0] for line in self._etc(table).splitlines()}

    def _secrets(self) -> frozenset[str]:
        """Their names; none for somebody who may not list them."""
        with contextlib.suppress(OSError):
            return frozenset(path.name for path in self.at(SECRETS).iterdir())
        return frozenset()
