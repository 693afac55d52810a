"""Every page there is: its address, who makes it, and whether it reads much of the journal."""

import re
from typing import Final, NamedTuple

from controller.page.alarms import alarms_page
from controller.page.batch import batch_page
from controller.page.batches import batches_page
from controller.page.bench import bench_page
from controller.page.compare import compare_page
from controller.page.doing_pages import FORM, doing_page
from controller.page.overview import overview_page
from controller.page.records import records_page
from controller.page.render import Maker
from controller.page.settings import settings_page
from controller.page.sticking import stick_page


class Page(NamedTuple):
    """path: regular expression of the whole path.  slow: it may read weeks of records."""

    path: re.Pattern[str]
    maker: Maker
    slow: bool = False


PAGES: Final = (
    Page(re.compile(r"/"), overview_page),
    Page(re.compile(r"/bench/[a-z0-9_]+"), bench_page),
    Page(re.compile(r"/alarms"), alarms_page),
    Page(re.compile(r"/batches"), batches_page, slow=True),
    Page(re.compile(r"/batch/[0-9]{1,9}"), batch_page, slow=True),
    Page(re.compile(FORM), doing_page),
    Page(re.compile(r"/stick"), stick_page),
    Page(re.compile(r"/compare"), compare_page, slow=True),
    Page(re.compile(r"/records"), records_page),
    Page(re.compile(r"/settings"), settings_page),
)


def find_page(pages: tuple[Page, ...], path: str) -> Page | None:
    """The page of a path, None when there is none."""
    return next((page for page in pages if page.path.fullmatch(path)), None)
