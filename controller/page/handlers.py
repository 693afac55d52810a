"""Requests and answers: every one goes by the gate first, and none says more than it must."""

import logging
import secrets
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any, Final, NoReturn

from tornado.web import Finish, RequestHandler

from controller.page.desk import Desk
from controller.page.files import FILES
from controller.page.gate import HEADERS, Gate
from controller.page.label_form import ASKED
from controller.page.moment import Board, Moment
from controller.page.pages import Page, find_page
from controller.page.papers import Papers
from controller.page.pen import Pen
from controller.page.render import Made, Renderer
from controller.page.shell import door_page, plain_page
from controller.page.tokens import Holder

log = logging.getLogger(__name__)

COOKIE: Final = "warmfoot"
KEEP_DAYS: Final = 90
QUERY_MOST: Final = 200
SAID_S: Final = 600.0
"""An answer is no longer shown after so many real seconds: it tells of what was done just now."""
STARTING_S: Final = 2
"""A page that was asked for before the first tick asks again after so many seconds."""
OLD_FORM: Final = (
    "Warmfoot was started again since this form was shown, or it was shown to somebody else; "
    "look it over, and send it once more."
)
KNOWN: Final = frozenset({"at", "span", "days", "still", "said", "plant", "kind", "by", *ASKED})
"""Arguments of an address that mean anything; a page is made anew for each."""


@dataclass
class Door:
    """What all handlers share. said: last answers to acts and when they were given (real monotonic
    seconds), by a random name."""

    gate: Gate
    renderer: Renderer
    board: Board
    desk: Desk
    pen: Pen
    papers: Papers
    pages: tuple[Page, ...]
    clock: Callable[[], float]
    closing: bool = False
    streams: int = 0
    said: dict[str, tuple[float, str]] = field(default_factory=dict)

    def keep_answer(self, text: str) -> str:
        """Keep an answer for the page that is shown next; gives its name."""
        name = secrets.token_urlsafe(9)
        self.said[name] = self.clock(), text
        while len(self.said) > 64:
            del self.said[next(iter(self.said))]
        return name

    def answer(self, name: str) -> str:
        """The answer of that name; "" for none, or one of long ago."""
        at_s, text = self.said.get(name, (float("-inf"), ""))
        return text if self.clock() - at_s < SAID_S else ""


class Base(RequestHandler):
    """The gate, the headers and the errors of every answer."""

    door: Door

    def initialize(self, door: Door | None = None) -> None:
        self.door = door or self.application.settings["door"]

    def set_default_headers(self) -> None:
        self.clear_header("Server")
        for name, value in HEADERS.items():
            self.set_header(name, value)

    def prepare(self) -> None:
        gate = self.door.gate
        if not gate.knows_host(self.request.headers.get("Host", "")):
            self.refuse(421, "This name does not lead here. Open the page by the address that "
                             "Warmfoot said at its start.")  # fmt: skip
        if not gate.rate.allows(self.remote, self.door.clock()):
            self.set_header("Retry-After", "5")
            self.refuse(429, "Too many requests from this address; wait a few seconds.")
        if self.request.method not in ("GET", "HEAD") and not gate.same_site(self.request.headers):
            self.refuse(403, "This was not asked for by a form of this page. Nothing was changed.")

    @property
    def cookie(self) -> str:
        """Name of the cookie that keeps a token."""
        return f"__Host-{COOKIE}" if self.door.gate.secure else COOKIE

    @property
    def remote(self) -> str:
        return str(self.request.remote_ip)

    def refuse(self, status: int, text: str) -> NoReturn:
        """Answer in a few plain words and go no further."""
        self.set_status(status)
        self.finish(plain_page(text))
        raise Finish

    def current(self) -> Holder | None:
        """Whoever asks, None for nobody known."""
        return self.door.gate.holder(self.get_cookie(self.cookie) or "")

    def actor(self) -> tuple[Holder, Moment]:
        """Whoever asks for a change, and may; and how things stand. The form is not yet known to be
        this page's own: `is_own_form`."""
        holder = self.current()
        if holder is None:
            self.redirect("/in", status=303)
            raise Finish
        if not holder.may_act:
            self.refuse(403, "This token may look but not act. Nothing was changed.")
        return holder, self.moment()

    def is_own_form(self, holder: Holder) -> bool:
        """Whether what was sent is of a form that this run of the program made for this holder.

        If not, nothing is done: it is shown once more with what was typed, in a form of this run.
        """
        return self.door.gate.is_form_token(holder, self.get_body_argument("form", ""))

    def moment(self) -> Moment:
        """How things stand; 503 before the loop's first tick."""
        moment = self.door.board.latest
        if moment is None:
            self.refuse(503, "Warmfoot is starting; try again in a moment.")
        return moment

    def query(self) -> dict[str, str]:
        """The last value of each known argument of the address, of reasonable length."""
        found = self.request.query_arguments.items()
        return {
            key: values[-1].decode("utf-8", "replace")
            for key, values in found
            if key in KNOWN and len(values[-1]) <= QUERY_MOST
        }

    def write_error(self, status_code: int, **more: Any) -> None:
        """The fault to the log under a short name, and only the name to whoever asked."""
        error = more.get("exc_info", (None, None, None))[1]
        if status_code < 500:
            words = {404: "There is no such page.", 405: "That can't be done here."}
            text = words.get(status_code, "That could not be read. Nothing was changed.")
        else:
            name = secrets.token_hex(4)
            log.error("page fault %s: %s", name, type(error).__name__, exc_info=error)
            text = (
                f"A fault in the page ({name}); heat and mist go on. "
                "The program's own log says more under that name."
            )
        self.finish(plain_page(text))

    def log_exception(self, *_: Any) -> None:
        """`write_error` has said it, without the address asked for."""

    async def made(self, page: Page, path: str, query: Mapping[str, str], holder: Holder) -> Made:
        """The page made for this holder; 503 before the loop's first tick."""
        found = await self.door.renderer.make(
            page.maker,
            path,
            query,
            holder,
            self.door.gate.form_token(holder),
            slow=page.slow,
            now_s=self.door.clock(),
        )
        if found is None:
            self.set_header("Retry-After", str(STARTING_S))
            self.set_header("Refresh", str(STARTING_S))
            self.refuse(503, "Warmfoot is starting; try again in a moment.")
        return found

    def give(self, kind: str, plain: bytes, packed: bytes) -> None:
        """Send what is held in both forms in the one that a browser takes."""
        self.set_header("Content-Type", kind)
        self.set_header("Vary", "Accept-Encoding")
        if "gzip" in self.request.headers.get("Accept-Encoding", ""):
            self.set_header("Content-Encoding", "gzip")
            self.finish(packed)
        else:
            self.finish(plain)


class Nothing(Base):
    """For addresses without a page."""

    def get(self, *_: str) -> None:
        self.refuse(404, "There is no such page.")

    post = get


class Show(Base):
    """Every page that is looked at."""

    async def get(self) -> None:
        holder = self.current()
        if holder is None:
            self.redirect("/in", status=303)
            return
        page = self.page_of(self.request.path)
        query = self.query()
        said = self.door.answer(query.pop("said", ""))
        if said:
            query["said_text"] = said
        made = await self.made(page, self.request.path, query, holder)
        self.give_page(made, made.status)

    def page_of(self, path: str) -> Page:
        """The page of a path; 404 where there is none."""
        page = find_page(self.door.pages, path)
        if page is None:
            self.refuse(404, "There is no such page.")
        return page

    def give_page(self, made: Made, status: int) -> None:
        """Send a page that was made."""
        self.set_status(status)
        self.give("text/html; charset=utf-8", made.plain, made.packed)


class File(Base):
    """Style and script: named after what is in them, so a browser may keep them."""

    def get(self, name: str) -> None:
        found = FILES.by_name.get(name)
        if found is None:
            self.refuse(404, "There is no such page.")
        self.set_header("Cache-Control", "public, max-age=31536000, immutable")
        self.give(found.kind, found.plain, found.packed)


class Enter(Base):
    """A token is shown at the door once and kept by the browser."""

    def get(self) -> None:
        if self.current() is not None:
            self.redirect("/", status=303)
            return
        self.finish(door_page(""))

    def post(self) -> None:
        gate, now_s = self.door.gate, self.door.clock()
        if not gate.tries.may_try(self.remote, now_s):
            wait_s = max(1.0, gate.tries.wait_s(self.remote, now_s))
            self.set_status(429)
            self.set_header("Retry-After", f"{wait_s:.0f}")
            self.finish(door_page(f"Too many wrong tokens. Wait {wait_s:.0f} s, then try again."))
            return
        token = self.get_body_argument("token", "").strip()
        if gate.holder(token) is None:
            gate.tries.failed(self.remote, now_s)
            log.warning("a wrong token was shown at the page's door from %s", self.remote)
            self.set_status(403)
            self.finish(door_page("That token is not known here. `warmfoot token new` makes one."))
            return
        gate.tries.passed(self.remote)
        self._keep(token)
        self.redirect("/", status=303)

    def _keep(self, token: str) -> None:
        self.set_cookie(
            self.cookie,
            token,
            expires_days=KEEP_DAYS,
            path="/",
            httponly=True,
            samesite="Strict",
            secure=self.door.gate.secure,
        )


class Leave(Base):
    """Forget the token in this browser."""

    def post(self) -> None:
        self.clear_cookie(self.cookie)
        self.redirect("/in", status=303)
