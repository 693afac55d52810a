"""Forms for acts: plain fields, so that they work without a script."""

from collections.abc import Sequence

from controller.draw.markup import Element, element
from controller.page.render import Asked


def hidden_fields(fields: Sequence[tuple[str, str]]) -> list[Element]:
    """Form fields that are not shown."""
    return [element("input", type="hidden", name=name, value=value) for name, value in fields]


def act_form(
    asked: Asked,
    kind: str,
    words: str,
    fields: Sequence[tuple[str, str]],
    *more: Element,
    class_: str = "",
    risky: bool = False,
) -> Element:
    """A form that asks for one act. fields: hidden ones.  more: shown ones, before the button."""
    hidden = [("kind", kind), *fields, ("back", asked.path), ("form", asked.form_token)]
    key = "-".join(["do", kind, *(value for _, value in fields)])
    return element(
        "form",
        *hidden_fields(hidden),
        *more,
        element("button", words, type="submit", id=key, class_="risky" if risky else None),
        method="post",
        action="/act",
        class_=class_ or None,
    )
