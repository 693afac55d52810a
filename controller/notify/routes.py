"""Addresses of the routes, and the sending itself. An address is a secret: it is never logged."""

import logging
import os
from collections.abc import Callable
from pathlib import Path

Sender = Callable[[str, str, str], bool]
"""(address, title, body) -> whether it was sent. May be slow, may raise."""


class RouteError(RuntimeError):
    """A route that cannot be used; the text names no address."""


def address_of(url_env: str) -> str:
    """The address kept under this name, from the environment or a systemd credential.

    Raises RouteError, saying where it was looked for.
    """
    given = os.environ.get(url_env, "").strip()
    if given:
        return given
    folder = os.environ.get("CREDENTIALS_DIRECTORY")
    if folder:
        try:
            given = (Path(folder) / url_env).read_text(encoding="utf-8").strip()
        except (OSError, UnicodeDecodeError):
            given = ""
        if given:
            return given
    raise RouteError(
        f"no address: set the environment variable {url_env}, "
        f"or give the service a credential of that name (LoadCredential={url_env}:FILE)"
    )


def send_by_apprise(address: str, title: str, body: str) -> bool:
    """Send through apprise, which knows mail and many messengers by their addresses.

    Raises RouteError for an address it does not understand, or when it is not installed.
    """
    try:
        # Imported here: it takes long to load, and only the worker needs it.
        import apprise
    except ImportError:
        raise RouteError("apprise is not installed; pip install apprise") from None
    # Its own log would print addresses, which hold passwords and tokens.
    logging.getLogger("apprise").setLevel(logging.CRITICAL + 1)
    sender = apprise.Apprise()
    if not sender.add(address):
        raise RouteError("apprise does not understand the address; see its list of services")
    return bool(sender.notify(title=title, body=body))
