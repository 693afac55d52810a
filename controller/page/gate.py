"""Who may come in by the page's door: names, origins, tokens and how often. Knows no tornado.

Host against DNS rebinding; Origin, and a token in every form, against requests that another site
makes in a grower's browser: OWASP ASVS 5.0, V3.5. Rules of tokens: ETSI EN 303 645 V2.1.1, 5.1.
"""

import hashlib
import hmac
import secrets
from collections.abc import Mapping
from ipaddress import ip_address
from typing import Final

from config.model import PagePlan
from controller.page.limits import Rate, Tries
from controller.page.tokens import Holder, TokenError, Tokens

HEADERS: Final = {
    "Content-Security-Policy": (
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; "
        "connect-src 'self'; object-src 'none'; base-uri 'none'; form-action 'self'; "
        "frame-ancestors 'none'"
    ),
    "X-Content-Type-Options": "nosniff",
    # Not no-referrer: browsers then call the origin of this page's own forms "null".
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Cache-Control": "no-store",
}
"""On every answer; only files that never change may be kept by a browser."""
HERE: Final = Holder("at this machine", "operate")
"""Whoever sits at the machine itself, when the page is served to nobody else."""


class Gate:
    """The door of one page. port: as really bound."""

    def __init__(self, plan: PagePlan, port: int, tokens: Tokens) -> None:
        self.secure = plan.cert_file is not None
        self.open_here = plan.loopback
        self.rate = Rate()
        self.tries = Tries()
        self._tokens = tokens
        self._secret = secrets.token_bytes(32)
        scheme = "https" if self.secure else "http"
        self.hosts = frozenset(_hosts(plan, port, 443 if self.secure else 80))
        self._origins = frozenset(f"{scheme}://{host}" for host in self.hosts)

    def knows_host(self, host: str) -> bool:
        """Whether the Host header names this page. Without that, any site's name could be made to
        point here and its scripts could read the page."""
        return host.lower() in self.hosts

    def same_site(self, headers: Mapping[str, str]) -> bool:
        """Whether a request that changes something was made by this page's own forms."""
        origin = headers.get("Origin")
        if origin is not None and origin.lower() not in self._origins:
            return False
        return headers.get("Sec-Fetch-Site", "same-origin") == "same-origin"

    def holder(self, token: str) -> Holder | None:
        """Who comes in with this token (""  for none); None for nobody."""
        if self.open_here:
            return HERE
        if not token or len(token) > 128:
            return None
        try:
            return self._tokens.holder(token)
        except TokenError:
            return None

    def form_token(self, holder: Holder) -> str:
        """What every form of this holder carries; no other site can read it."""
        told = f"{holder.name}\n{holder.role}".encode()
        return hmac.new(self._secret, told, hashlib.sha256).hexdigest()[:32]

    def is_form_token(self, holder: Holder, given: str) -> bool:
        return hmac.compare_digest(self.form_token(holder).encode(), given.encode())


def may_serve(plan: PagePlan, tokens: Tokens) -> str:
    """Why the page may not be served as the bench file asks; "" when it may."""
    if plan.loopback:
        return ""
    try:
        if tokens.holders():
            return ""
    except TokenError as error:
        return str(error)
    return (
        f"the page is to be served on {plan.address} and nobody has a token for it; make one with "
        "`warmfoot token new NAME BENCH.toml` (it is shown once), or leave address out to serve "
        "this machine alone"
    )


def _hosts(plan: PagePlan, port: int, usual: int) -> list[str]:
    """Every name:port that a browser may call the page by."""
    address = ip_address(plan.address)
    names = [name.lower() for name in plan.names]
    if not address.is_unspecified:
        names.append(f"[{address}]" if address.version == 6 else str(address))
    if address.is_loopback or address.is_unspecified:
        names += ["localhost", "127.0.0.1", "[::1]"]
    with_port = [f"{name}:{port}" for name in names]
    return [*with_port, *names] if port == usual else with_port
