"""What changed on a page, as it changes: server-sent events, or asked for again and again."""

import asyncio
import json
from typing import Final

from tornado.iostream import StreamClosedError

from controller.page.handlers import Base
from controller.page.pages import Page, find_page
from controller.page.render import FOLLOWED
from controller.page.tokens import Holder

EVERY_S: Final = 2.0
"""A page that is looked at is brought up to date no more often (real seconds)."""
BEAT_S: Final = 5.0
"""A sign of life at least so often: a page that hears none for 15 s says so."""
STREAMS_MOST: Final = 30
"""More watchers than this ask again and again instead."""
PATH_MOST: Final = 120


class Watched(Base):
    """A page that is followed: ?at=/its/path."""

    def watched(self) -> tuple[Page, str, dict[str, str], Holder]:
        holder = self.current()
        if holder is None:
            self.refuse(401, "Come in by the front page.")
        query = self.query()
        path = query.pop("at", "/")
        page = find_page(self.door.pages, path) if len(path) <= PATH_MOST else None
        if page is None:
            self.refuse(404, "There is no such page.")
        kept = {key: text for key, text in query.items() if key in FOLLOWED}
        return page, path, kept, holder


class Parts(Watched):
    """GET /parts: the live parts of a page as they are now, once."""

    async def get(self) -> None:
        page, path, query, holder = self.watched()
        made = await self.made(page, path, query, holder)
        self.set_header("Content-Type", "application/json")
        self.finish(_json({"number": made.number, "frame": made.frame, "parts": made.parts}))


class Stream(Watched):
    """GET /live: the live parts that changed, for as long as somebody listens."""

    async def get(self) -> None:
        page, path, query, holder = self.watched()
        if self.door.streams >= STREAMS_MOST:
            self.set_header("Retry-After", "60")
            self.refuse(503, "Too many pages are open; this one asks by itself.")
        self.set_header("Content-Type", "text/event-stream")
        self.door.streams += 1
        try:
            await self._follow(page, path, query, holder)
        except (StreamClosedError, asyncio.CancelledError):
            pass  # the listener has gone, or the page is coming to its end
        finally:
            self.door.streams -= 1

    async def _follow(self, page: Page, path: str, query: dict[str, str], holder: Holder) -> None:
        sent: dict[str, str] = {}
        number, frame, beat_s = -1, "", float("-inf")
        self.write("retry: 3000\n\n")
        await self.flush()
        while not self.door.closing:
            now_s = self.door.clock()
            latest = self.door.board.latest
            late = latest is not None and now_s - latest.seen_s > BEAT_S
            if latest is not None and (latest.number != number or late):
                made = await self.made(page, path, query, holder)
                changed = {key: part for key, part in made.parts.items() if sent.get(key) != part}
                number = made.number
                if changed:
                    sent.update(changed)
                    self.write(f"event: parts\ndata: {_json(changed)}\n\n")
                    await self.flush()
                    beat_s = now_s
                if made.frame != frame:  # last, so that a new alarm is read aloud first
                    frame = made.frame
                    self.write(f"event: frame\ndata: {frame}\n\n")
                    await self.flush()
            if now_s - beat_s >= BEAT_S:
                self.write("event: beat\ndata: 1\n\n")
                await self.flush()
                beat_s = now_s
            await asyncio.sleep(EVERY_S)
            if self.current() != holder:
                return  # the token was taken back


def _json(data: object) -> str:
    """JSON on one line, as an event needs it."""
    return json.dumps(data, separators=(",", ":"), allow_nan=False)
