"""Which address is answered by what."""

from typing import Final

from controller.page.acts import Do
from controller.page.doing_pages import FORM
from controller.page.handlers import Enter, File, Leave, Show
from controller.page.stream import Parts, Stream
from controller.page.taking import Take
from controller.page.writing import Write

ROUTES: Final = [
    (r"/file/([a-z0-9.]{1,40})", File),
    (r"/in", Enter),
    (r"/out", Leave),
    (r"/act", Do),
    (r"/stick", Write),
    (FORM, Write),
    (r"/take/([a-z0-9.-]{1,60})", Take),
    (r"/live", Stream),
    (r"/parts", Parts),
    (r"/(?:|[a-z0-9_./-]{1,120})", Show),
]
