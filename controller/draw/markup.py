"""Elements of HTML and SVG, escaped by the library whatever text is put in."""

import re
from typing import Final
from xml.etree import ElementTree

Element = ElementTree.Element
_NOT_XML: Final = re.compile("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


def element(tag: str, *inside: Element | str | None, **attributes: object) -> Element:
    """An element with what is inside, in order; None is left out.

    attributes: `_` in a name stands for `-`, and one at its end is dropped (`class_`).
    """
    made = Element(
        tag,
        {
            name.removesuffix("_").replace("_", "-"): clean(str(value))
            for name, value in attributes.items()
            if value is not None
        },
    )
    last: Element | None = None
    for part in inside:
        if part is None:
            continue
        if isinstance(part, Element):
            made.append(part)
            last = part
        elif last is None:
            made.text = (made.text or "") + clean(part)
        else:
            last.tail = (last.tail or "") + clean(part)
    return made


def clean(text: str) -> str:
    """The text with what XML has no place for shown as a replacement character."""
    return _NOT_XML.sub("\ufffd", text)


def written(made: Element) -> str:
    """The element as text that is right both in an HTML page and, for SVG, in a file of its own."""
    return ElementTree.tostring(made, encoding="unicode", method="html")
