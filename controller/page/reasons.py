"""Why a mat or a mister does what it does: its last decisions with their reasons."""

from typing import Final

from controller.draw.markup import Element, element
from controller.page.render import Asked
from controller.page.words import moment_words

REASONS_SHOWN: Final = 8


def reasons(asked: Asked, place: str) -> Element:
    """The last decisions of a place with their reasons, newest first."""
    moment = asked.moment
    zone, now_s = moment.site.site.zone, moment.now.utc_s
    rows = asked.store.kept(
        ("reasons", place, int(now_s // 60)), 60.0, lambda r: r.reasons(place, REASONS_SHOWN)
    )
    if rows is None:
        return element("p", "The record can't be read just now.", class_="quiet")
    lines = [
        element("li", element("time", moment_words(row.at_s, now_s, zone)), f" {row.text}",
                "" if row.mode == "normal" else f" [{row.mode}]")
        for row in reversed(rows)
    ]  # fmt: skip
    told = element("ol", *lines, class_="reasons") if lines else element("p", "None on record yet.")
    key = place.replace(".", "-")
    return element(
        "details",
        element("summary", "Why: its last decisions"),
        element("div", told, id=f"why-{key}", data_live=""),
    )
