"""The page a grower keeps open: served from a thread of its own, and never in the loop's way.

The loop puts a `Moment` on the `Board` and finds acts on the `Desk`; `PageServer` does the rest.
"""

from controller.page.desk import Desk
from controller.page.moment import Board, Moment
from controller.page.server import PageServer, page_address

__all__ = ["Board", "Desk", "Moment", "PageServer", "page_address"]
