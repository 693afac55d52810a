"""What of a page a script does not bring up to date in place, told by a short mark.

A page that is kept open knows by it that it has become another one: the program was started again
(other form tokens, another script), whoever looks got another role, a bench came or went, a batch
was closed. Then it is loaded anew, as soon as nobody types into it.
"""

import hashlib
from collections.abc import Iterator

from controller.draw.markup import Element
from controller.page.files import FILES
from controller.page.render import Asked, Sheet


def frame_mark(asked: Asked, sheet: Sheet) -> str:
    """Twelve hexadecimal digits of all that stands outside the live parts of a page.

    Of a form that is typed into only what it is sent with: its fields are the reader's own.
    """
    told = [asked.form_token, str(asked.holder.may_act), FILES.style.name, FILES.script.name]
    if not sheet.typed:
        told += [asked.moment.site.site.name, asked.moment.site.site.timezone]
        for one in sheet.inside:
            told += _outside(one)
    return hashlib.sha256("\0".join(told).encode()).hexdigest()[:12]


def _outside(one: Element) -> Iterator[str]:
    """An element's text, without what is inside live parts and which folds are open."""
    yield one.tag
    yield from (f"{name}={value}" for name, value in one.attrib.items() if name != "open")
    if "data-live" not in one.attrib:
        yield one.text or ""
        for part in one:
            yield from _outside(part)
    yield one.tail or ""
