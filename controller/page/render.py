"""From a moment to the bytes of a page, once for all who look at the same thing.

Pages are made in worker threads of their own: one for what is watched all day, one for what reads
weeks of records, so that the second never holds up the first.
"""

import asyncio
import gzip
import logging
from collections import OrderedDict
from collections.abc import Callable, Mapping
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Final, NamedTuple

from controller.draw.markup import Element, written
from controller.page.later import Later
from controller.page.moment import Board, Moment
from controller.page.store import Store
from controller.page.tokens import Holder

log = logging.getLogger(__name__)

KEPT: Final = 64
"""Made pages kept for others who ask for the same before the next moment."""
FOLLOWED: Final = ("span", "days", "by", "plant")
"""Arguments of an address that a page which is followed keeps."""
LATE_S: Final = 15.0
"""A loop that has said nothing for so long (real seconds) is said to be lost."""


class Asked(NamedTuple):
    """What a page is made from. store: what is quickly read.  later: what is not.  query:
    single values.  form_token: for its forms.  late_s: real seconds since the loop last spoke, 0
    while that is as it should be."""

    moment: Moment
    store: Store
    later: Later
    path: str
    query: Mapping[str, str]
    holder: Holder
    form_token: str
    late_s: float


class Sheet(NamedTuple):
    """A page without its frame. status: of HTTP.  typed: holds a form that somebody types into, so
    it is never loaded anew by itself."""

    title: str
    inside: tuple[Element, ...]
    status: int = 200
    typed: bool = False


Maker = Callable[[Asked], Sheet]
Framer = Callable[[Asked, Sheet], Element]


class Made(NamedTuple):
    """A page as it goes out. parts: its live parts by id, as they stand in it.  frame: mark of all
    the rest."""

    status: int
    plain: bytes
    packed: bytes
    parts: dict[str, str]
    number: int
    frame: str


class Renderer:
    """Makes pages and keeps them until the next moment. Belongs to the page's event loop."""

    def __init__(self, board: Board, journal: Path, frame: Framer) -> None:
        self._board = board
        self._frame = frame
        self._quick = ThreadPoolExecutor(1, "page-quick")
        self._slow = ThreadPoolExecutor(1, "page-slow")
        self._later = Later(journal)
        self._stores = {self._quick: Store(journal), self._slow: Store(journal)}
        self._made: OrderedDict[tuple[object, ...], asyncio.Future[Made]] = OrderedDict()

    async def make(
        self,
        maker: Maker,
        path: str,
        query: Mapping[str, str],
        holder: Holder,
        form_token: str,
        *,
        slow: bool = False,
        now_s: float,
    ) -> Made | None:
        """The page of the latest moment; None before the first. now_s: real monotonic seconds."""
        moment = self._board.latest
        if moment is None:
            return None
        late_s = now_s - moment.seen_s
        late_s = round(late_s) if late_s >= LATE_S else 0.0
        key = (moment.number, path, tuple(sorted(query.items())), holder, form_token, late_s)
        found = self._made.get(key)
        if found is None or (found.done() and (found.cancelled() or found.exception())):
            pool = self._slow if slow else self._quick
            asked = Asked(
                moment, self._stores[pool], self._later, path, query, holder, form_token, late_s
            )
            running = asyncio.get_running_loop()
            found = running.run_in_executor(pool, self._make, maker, asked)
            self._made[key] = found
            while len(self._made) > KEPT:
                self._made.popitem(last=False)
        return await asyncio.shield(found)

    def _make(self, maker: Maker, asked: Asked) -> Made:
        sheet = maker(asked)
        framed = self._frame(asked, sheet)
        text = f"<!doctype html>\n{written(framed)}".encode()
        parts = {
            one.attrib["id"]: _inside(one) for one in framed.iter() if "data-live" in one.attrib
        }
        body = framed.find("body")
        frame = "" if body is None else body.get("data-frame", "")
        packed = gzip.compress(text, 5, mtime=0)
        return Made(sheet.status, text, packed, parts, asked.moment.number, frame)

    def forget(self) -> None:
        """Make every page anew: something was written down since."""
        self._made.clear()

    def close(self) -> None:
        """End the workers after what they are at; nobody waits for them."""
        self._later.close()
        for pool, store in self._stores.items():
            pool.submit(store.close)
            pool.shutdown(wait=False, cancel_futures=False)


def _inside(one: Element) -> str:
    """What stands between an element's tags."""
    whole = written(one).removesuffix(one.tail or "")
    return whole[whole.index(">") + 1 : whole.rindex("</")]
