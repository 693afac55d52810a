"""GET /take/...: a file to take away."""

import asyncio
import logging
import re
from typing import Final

from tornado.iostream import StreamClosedError

from controller.journal.errors import JournalError
from controller.journal.upkeep import TABLES
from controller.labels import LabelError
from controller.page.handlers import Base
from controller.page.label_form import sheet_asked
from controller.page.moment import Moment
from controller.page.papers import (
    Paper,
    PaperError,
    calendar_paper,
    label_paper,
    report_paper,
    table_paper,
)

log = logging.getLogger(__name__)

CHUNK: Final = 64 * 1024
LONGEST_S: Final = 600.0
"""A client that takes longer than this for one file is cut off."""
_OF_BATCH: Final = re.compile(r"(report|labels)-(\d{1,9})")


class Take(Base):
    """One file, by its name; never shown in this page's place."""

    async def get(self, name: str) -> None:
        if self.current() is None:
            self.redirect("/in", status=303)
            return
        moment = self.moment()
        try:
            paper = self.paper(name, moment)
            if paper is None:
                self.refuse(404, "There is no such file.")
            file, size = await self.door.papers.made(paper)
        except (PaperError, LabelError) as error:
            self.refuse(409, f"{str(error).capitalize()}.")
        except JournalError as error:
            log.warning("a file could not be made: %s", error)
            self.refuse(503, "The record can't be read just now. The bench goes on.")
        self.set_header("Content-Type", paper.kind)
        self.set_header("Content-Length", str(size))
        self.set_header("Content-Disposition", f'attachment; filename="{paper.name}"')
        with file:
            try:
                async with asyncio.timeout(LONGEST_S):
                    while chunk := await asyncio.to_thread(file.read, CHUNK):
                        self.write(chunk)
                        await self.flush()
            except (StreamClosedError, TimeoutError):
                self.detach().close()
                return
        self.finish()

    def paper(self, name: str, moment: Moment) -> Paper | None:
        """What is asked for, None where there is no such thing. Raises PaperError, LabelError."""
        journal, query = self.door.papers.journal, self.query()
        if name == "due.ics":
            return calendar_paper(journal, moment)
        table = name.removesuffix(".csv")
        if name.endswith(".csv") and table in (*TABLES, "results"):
            return table_paper(journal, moment, table, query.get("span", "7d"))
        found = _OF_BATCH.fullmatch(name.rpartition(".")[0])
        if found is None:
            return None
        number = int(found[2])
        if name == f"report-{found[2]}.html":
            return report_paper(journal, moment, number)
        if name == f"labels-{found[2]}.pdf":
            asked = sheet_asked(query)
            return label_paper(
                journal, moment, number, asked.copies, asked.start, asked.grid, frame=asked.frame
            )
        return None
