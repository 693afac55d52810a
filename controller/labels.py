"""Tray labels: what stands where on one, and that as SVG. Lengths are millimetres, type points."""

from collections.abc import Callable, Iterator, Sequence
from ipaddress import ip_address
from typing import Final, NamedTuple
from zoneinfo import ZoneInfo

from config.model import Site
from config.recipes import thaw
from controller.draw.markup import element, written
from controller.draw.plot import day_in_words
from controller.records import Batch

PT_MM: Final = 25.4 / 72
LEADING: Final = 1.15
PAD_MM: Final = 1.8
SMALLEST_PT: Final = 5.0
"""Smaller type is not read at arm's length on a wet tray; common practice, no source."""
MODULE_LEAST_MM: Final = 0.33
"""Smallest square of a code that telephones read without trouble; common practice, no source."""
QUIET: Final = 4
"""Blank squares around a code: ISO/IEC 18004."""
QR_SHARE: Final = 0.45
"""Most of a label's width that its code may take."""
FONTS: Final = "Helvetica, Arial, 'Liberation Sans', sans-serif"

Measure = Callable[[str, float, bool], float]
"""Width in mm of a text in a size (pt), bold or not."""


class LabelError(ValueError):
    """A label that can't be made, in a grower's words."""


class Text(NamedTuple):
    """One line. x, y: its start on the base line, mm from the label's left top."""

    text: str
    x: float
    y: float
    size_pt: float
    bold: bool
    width_mm: float


class Label(NamedTuple):
    """One label. squares: (x, y, width, height) of the dark parts of its code, none without one.

    address: what the code says, "" for no code.
    """

    width_mm: float
    height_mm: float
    texts: tuple[Text, ...]
    squares: tuple[tuple[float, float, float, float], ...]
    address: str


class Words(NamedTuple):
    """What a label says. parts: (text, size in pt, bold), from above; the second shrinks first."""

    parts: tuple[tuple[str, float, bool], ...]
    address: str


def page_address(site: Site) -> str | None:
    """Where a phone beside the bench opens the page, without a slash at its end.

    As the bench file says for labels, else by the first name or the address that the page is served
    under; None where only the machine itself can see it.
    """
    plan = site.page
    if site.labels.address is not None or not plan.serve:
        return site.labels.address
    served = ip_address(plan.address)
    if served.is_loopback:
        return None
    name = plan.names[0] if plan.names else None
    if name is None and not served.is_unspecified:
        name = f"[{served}]" if served.version == 6 else str(served)
    scheme = "http" if plan.cert_file is None else "https"
    return None if name is None else f"{scheme}://{name}:{plan.port}"


def words_of(batch: Batch, zone: ZoneInfo, page: str | None) -> Words:
    """Number, plant, kind with the count, date of sticking; and the address of the batch's page.

    page: as `page_address` gives it, None for a label without a code.
    """
    kind = thaw(batch.recipe_json).kind.replace("_", " ")
    stuck = day_in_words(batch.stuck_s, zone)
    parts = (
        (f"No. {batch.number}", 18.0, True),
        (" ".join(batch.plant.split()), 11.0, True),
        (f"{kind}, {batch.cuttings}", 8.0, False),
        (f"stuck {stuck}", 8.0, False),
    )
    return Words(parts, "" if page is None else f"{page}/batch/{batch.number}")


def label(words: Words, width_mm: float, height_mm: float, measure: Measure) -> Label:
    """Fit what is to be said: wrapped at blanks and shrunk, the name first; a word is broken only
    where nothing else helps; never cut.

    Raises LabelError when it does not fit in type that can be read.
    """
    squares, side = _code(words.address, width_mm, height_mm)
    room_w = width_mm - 2 * PAD_MM - (side - PAD_MM if side else 0.0)
    room_h = height_mm - 2 * PAD_MM
    every = list(_sizes([size for _, size, _ in words.parts]))
    for sizes, breaking in [(sizes, breaking) for breaking in (False, True) for sizes in every]:
        lines = [
            (line, size, bold)
            for (text, _, bold), size in zip(words.parts, sizes, strict=True)
            for line in wrapped(text, size, bold, room_w, measure)
        ]
        broken = sum(len(text.split()) for text, _, _ in words.parts) < sum(
            len(line.split()) for line, _, _ in lines
        )
        if sum(size for _, size, _ in lines) * LEADING * PT_MM > room_h or (
            broken and not breaking
        ):
            continue
        y = PAD_MM
        texts = []
        for line, size, bold in lines:
            y += size * LEADING * PT_MM
            base = y - 0.25 * size * PT_MM  # room for descenders
            texts.append(Text(line, PAD_MM, base, size, bold, measure(line, size, bold)))
        return Label(width_mm, height_mm, tuple(texts), squares, words.address)
    raise LabelError(
        f"{words.parts[0][0]}: {words.parts[1][0][:60]!r} does not fit on {width_mm:g} x "
        f"{height_mm:g} mm in type that can be read; take larger labels"
    )


def _sizes(wished: Sequence[float]) -> Iterator[list[float]]:
    """Sizes to try, in order: first the name alone gets smaller, then everything."""
    for whole in (1.0, 0.9, 0.8, 0.7, 0.6, 0.5):
        for name in (1.0, 0.9, 0.8, 0.7, 0.6, 0.5):
            yield [
                max(SMALLEST_PT, size * whole * (name if place == 1 else 1.0))
                for place, size in enumerate(wished)
            ]


def wrapped(text: str, size_pt: float, bold: bool, width_mm: float, measure: Measure) -> list[str]:
    """The text in lines no wider than `width_mm`: broken at blanks, and within a word too long."""
    lines = [""]
    for word in text.split():
        longer = f"{lines[-1]} {word}".strip()
        if measure(longer, size_pt, bold) <= width_mm:
            lines[-1] = longer
            continue
        if lines[-1]:
            lines.append("")
        for sign in word:
            if lines[-1] and measure(lines[-1] + sign, size_pt, bold) > width_mm:
                lines.append("")
            lines[-1] += sign
    return lines


def _code(
    address: str, width_mm: float, height_mm: float
) -> tuple[tuple[tuple[float, float, float, float], ...], float]:
    """The dark parts of the code, at the right; and the side it takes with its quiet zone, mm."""
    if not address:
        return (), 0.0
    # Loaded here: the daemon never needs it.
    import segno

    rows = [bytes(row) for row in segno.make(address, error="m", micro=False).matrix]
    side = min(height_mm, QR_SHARE * width_mm)
    step = side / (len(rows) + 2 * QUIET)
    if step < MODULE_LEAST_MM:
        raise LabelError(
            f"the code of {address!r} would be too fine to be read on {width_mm:g} x "
            f"{height_mm:g} mm; take larger labels or a shorter address"
        )
    left, top = width_mm - side + QUIET * step, (height_mm - side) / 2 + QUIET * step
    found = []
    for y, row in enumerate(rows):
        x = 0
        while x < len(row):
            run = 1
            while x + run < len(row) and row[x + run] == row[x]:
                run += 1
            if row[x]:
                found.append((left + x * step, top + y * step, run * step, step))
            x += run
    return tuple(found), side


def label_svg(made: Label) -> str:
    """The label as an SVG file of its true size."""
    # The rows of the code overlap by a hair, so that no light seam shows between them.
    path = "".join(
        f"M{x:.3f} {y:.3f}h{w:.3f}v{h + 0.01:.3f}h-{w:.3f}z" for x, y, w, h in made.squares
    )
    drawn = element(
        "svg",
        element("rect", width="100%", height="100%", fill="#fff"),
        *(
            element(
                "text",
                text.text,
                x=f"{text.x:.2f}",
                y=f"{text.y:.2f}",
                font_size=f"{text.size_pt * PT_MM:.3f}",
                font_weight="bold" if text.bold else None,
                # Whatever font the reader has, the line keeps its width.
                textLength=f"{text.width_mm:.2f}",
                lengthAdjust="spacingAndGlyphs",
            )
            for text in made.texts
        ),
        element("path", d=path, fill="#000") if path else None,
        xmlns="http://www.w3.org/2000/svg",
        width=f"{made.width_mm:g}mm",
        height=f"{made.height_mm:g}mm",
        viewBox=f"0 0 {made.width_mm:g} {made.height_mm:g}",
        font_family=FONTS,
    )
    return f"{written(drawn)}\n"
