"""Tray labels: codes read back by another library, text read out of the PDF, nothing cut."""

import io
import re
from datetime import UTC, datetime
from xml.etree import ElementTree
from zoneinfo import ZoneInfo

import numpy as np
import pypdf
import pytest
import zxingcpp
from hypothesis import given, settings
from hypothesis import strategies as st

from config.load import loads
from config.recipes import freeze, recipe_for
from controller.label_sheet import Grid, Press
from controller.labels import (
    Label,
    LabelError,
    Words,
    label,
    label_svg,
    page_address,
    words_of,
    wrapped,
)
from controller.records import Batch

DUBLIN = ZoneInfo("Europe/Dublin")
STUCK_S = 1_772_524_800.0  # 2026-03-03T08:00Z
PT_PER_MM = 72 / 25.4
PRESS = Press()
PAGE = "http://bench.local:8046"


def batch(plant: str = "Lavandula angustifolia", number: int = 12) -> Batch:
    frozen, digest = freeze(recipe_for("semi_ripe", plant))
    return Batch(
        number, plant, "semi_ripe", "north", "left", "A1-A2", 84, STUCK_S, frozen, digest, "stick",
        STUCK_S, None, {},
    )  # fmt: skip


def made(plant: str = "Lavandula angustifolia", w: float = 63.5, h: float = 33.9) -> Label:
    return label(words_of(batch(plant), DUBLIN, PAGE), w, h, PRESS.measure)


def read_code(one: Label, dots_per_mm: int = 12) -> str:
    """Paint the label and read it as a telephone would."""
    picture = np.full(
        (round(one.height_mm * dots_per_mm), round(one.width_mm * dots_per_mm)), 255, dtype=np.uint8
    )
    for x, y, w, h in one.squares:
        left, top, right, foot = (round(v * dots_per_mm) for v in (x, y, x + w, y + h))
        picture[top:foot, left:right] = 0
    (found,) = zxingcpp.read_barcodes(picture)
    assert found.format == zxingcpp.BarcodeFormat.QRCode
    return found.text


def test_the_code_is_read_back_as_the_address_of_the_batch() -> None:
    assert read_code(made()) == "http://bench.local:8046/batch/12"


def test_the_code_in_the_svg_is_the_same_and_has_its_quiet_zone() -> None:
    read = ElementTree.fromstring(label_svg(made()))
    space = "{http://www.w3.org/2000/svg}"
    assert (read.get("width"), read.get("height")) == ("63.5mm", "33.9mm")
    path = read.find(f"{space}path")
    assert path is not None
    squares = [
        tuple(map(float, part))
        for part in re.findall(r"M([\d.]+) ([\d.]+)h([\d.]+)v([\d.]+)h-[\d.]+z", path.get("d", ""))
    ]
    drawn = made()._replace(squares=tuple(squares))  # type: ignore[arg-type]
    assert read_code(drawn) == "http://bench.local:8046/batch/12"
    step = min(width for _, _, width, _ in squares)
    edges = (min(x for x, *_ in squares), 63.5 - max(x + w for x, _, w, _ in squares))
    assert edges[1] >= 4 * step - 0.01  # ISO/IEC 18004: four squares
    text_ends = max(text.x + text.width_mm for text in made().texts)
    assert edges[0] - text_ends >= 4 * step - 0.01


def test_the_svg_says_plant_kind_date_and_number_and_takes_no_name_for_markup() -> None:
    text = label_svg(made("<script>alert(\"x\")</script> & 'Hidcote'"))
    assert "<script" not in text
    read = ElementTree.fromstring(text)
    said = " ".join(one.text or "" for one in read.iter() if one.tag.endswith("text"))
    for words in ("No. 12", "semi ripe, 84", "stuck 3 Mar 2026"):
        assert words in said
    assert "<script>alert(\"x\")</script> & 'Hidcote'" in said


names = st.text(
    st.characters(codec="windows-1252", exclude_categories=["Cc", "Cs", "Zs", "Zl", "Zp", "Cf"])
    | st.just(" "),
    min_size=1,
    max_size=60,
)


@settings(deadline=None, max_examples=60)
@given(names)
def test_no_name_is_cut_or_leaves_its_label(plant: str) -> None:
    one = made(plant)
    said = "".join(text.text for text in one.texts).replace(" ", "")
    assert plant.replace(" ", "") in said
    left = min(x for x, *_ in one.squares)
    for text in one.texts:
        assert text.size_pt >= 5.0
        assert text.x + text.width_mm <= left
        assert 0.0 < text.y < 33.9
    lines = [text.y for text in one.texts]
    assert lines == sorted(set(lines))


def test_a_name_too_long_to_be_read_is_refused_and_fits_on_a_larger_label() -> None:
    plant = "Rhododendron " * 15
    with pytest.raises(LabelError, match=r"No\. 12: 'Rhododendron .* take larger labels"):
        made(plant, 38.1, 21.2)
    assert made(plant, 99.1, 67.7)


def test_a_long_word_is_made_smaller_before_it_is_broken() -> None:
    (name,) = [text for text in made("Metasequoia glyptostroboides").texts if text.text[0] == "M"]
    assert name.text == "Metasequoia"
    (second,) = [t for t in made("Metasequoia glyptostroboidesque").texts if t.text[0] == "g"]
    assert second.text == "glyptostroboidesque"
    assert second.size_pt < 11.0


def test_a_word_wider_than_the_label_is_broken_and_whole() -> None:
    lines = wrapped("Chrysanthemum" * 4 + " x", 11.0, True, 20.0, PRESS.measure)
    assert "".join(lines).replace(" ", "") == "Chrysanthemum" * 4 + "x"
    assert len(lines) > 3
    assert all(PRESS.measure(line, 11.0, True) <= 20.0 for line in lines)


def test_a_code_too_fine_for_the_label_is_refused_and_none_without_an_address() -> None:
    with pytest.raises(LabelError, match="too fine to be read"):
        made(w=20.0, h=10.0)
    bare = label(words_of(batch(), DUBLIN, None), 63.5, 33.9, PRESS.measure)
    assert bare.squares == ()
    assert "<path" not in label_svg(bare)


def pages(data: bytes) -> pypdf.PdfReader:
    return pypdf.PdfReader(io.BytesIO(data))


def test_sheets_are_a4_and_hold_what_was_asked() -> None:
    made_26 = [
        label(words_of(batch("Hebe", number), DUBLIN, PAGE), 63.5, 33.9, PRESS.measure)
        for number in range(1, 27)
    ]
    read = pages(PRESS.sheets(made_26, Grid(), 1, STUCK_S))
    assert len(read.pages) == 2
    for page in read.pages:
        width, height = (float(side) / PT_PER_MM for side in page.mediabox[2:])
        assert (width, height) == (pytest.approx(210, abs=0.1), pytest.approx(297, abs=0.1))
    found = [re.findall(r"No\. (\d+)", page.extract_text()) for page in read.pages]
    assert found == [[str(n) for n in range(1, 25)], ["25", "26"]]
    assert "semi ripe, 84" in read.pages[0].extract_text()


def places(data: bytes) -> list[tuple[float, float]]:
    """Where each number stands, mm from the left top of its page."""
    found = []
    for page in pages(data).pages:
        height = float(page.mediabox[3])

        def seen(text, _cm, tm, _font, _size, height=height) -> None:
            if text.startswith("No."):
                found.append((tm[4] / PT_PER_MM, (height - tm[5]) / PT_PER_MM))

        page.extract_text(visitor_text=seen)
    return found


def test_a_part_used_sheet_is_begun_at_its_first_free_place() -> None:
    whole = places(PRESS.sheets([made()] * 24, Grid(), 1, STUCK_S))
    rest = places(PRESS.sheets([made()] * 3, Grid(), 23, STUCK_S))
    assert len(whole) == 24
    assert rest[:2] == [pytest.approx(place, abs=0.01) for place in whole[22:]]
    assert rest[2] == pytest.approx(whole[0], abs=0.01)  # on a sheet of its own
    # Neighbours are a label and a gap apart.
    assert whole[1][0] - whole[0][0] == pytest.approx(66.0, abs=0.01)
    assert whole[3][1] - whole[0][1] == pytest.approx(33.9, abs=0.01)


@pytest.mark.parametrize(
    ("grid", "start", "said"),
    [
        (Grid(columns=4), 1, "the paper has 210 x 297 mm"),
        (Grid(rows=9), 1, "take .* the paper has"),
        (Grid(margin_mm=(30.0, 12.0)), 1, "with their gaps and margins"),
        (Grid(paper="letter", columns=2, rows=5, label_mm=(101.6, 50.8)), 11, "places 1 to 10"),
        (Grid(), 25, "places 1 to 24"),
    ],
)
def test_what_does_not_fit_the_paper_is_refused(grid: Grid, start: int, said: str) -> None:
    with pytest.raises(LabelError, match=said):
        PRESS.sheets([made()], grid, start, STUCK_S)


def test_letters_that_the_font_lacks_are_named_and_never_dropped() -> None:
    with pytest.raises(LabelError, match="the font has no Ł ź; give --font"):
        made("Łaźnia")
    with pytest.raises(LabelError, match="not a TrueType font"):
        Press(__file__)  # type: ignore[arg-type]
    read = pages(PRESS.sheets([made("Höllental × ‘Brünn’ €")], Grid(), 1, STUCK_S))
    assert "Höllental × ‘Brünn’ €" in " ".join(read.pages[0].extract_text().split())


def test_the_same_sheet_twice_is_the_same_file() -> None:
    once, again = (PRESS.sheets([made()], Grid(), 1, STUCK_S) for _ in range(2))
    assert once == again
    info = pages(once).metadata
    assert info is not None
    assert info.creation_date == datetime.fromtimestamp(STUCK_S, UTC), "not that of the machine"


def test_words_come_in_the_order_they_are_read() -> None:
    said = words_of(batch("  Hebe \n 'Youngii' "), DUBLIN, PAGE)
    assert said == Words(
        (
            ("No. 12", 18.0, True),
            ("Hebe 'Youngii'", 11.0, True),
            ("semi ripe, 84", 8.0, False),
            ("stuck 3 Mar 2026", 8.0, False),
        ),
        "http://bench.local:8046/batch/12",
    )


BENCH = """
site = { name = "Shed", timezone = "Europe/Dublin", latitude_deg = 53.3, longitude_deg = -6.5 }
links.board = { kind = "memory" }
[benches.tray.bays.only]
probes = [{ link = "board", channel = "base1", kind = "base_temperature" }]
mat = { link = "board", channel = "mat1", power_w = 25 }
"""


@pytest.mark.parametrize(
    ("more", "address"),
    [
        ("", None),  # only the machine itself can see the page
        ('[page]\naddress = "0.0.0.0"\nnames = ["bench.local"]', "http://bench.local:8046"),
        ('[page]\naddress = "192.168.1.7"\nport = 9000', "http://192.168.1.7:9000"),
        ('[page]\naddress = "fd00::7"', "http://[fd00::7]:8046"),
        ('[page]\naddress = "192.168.1.7"\ncert_file = "c"\nkey_file = "k"',
         "https://192.168.1.7:8046"),
        ('[page]\nserve = false\naddress = "192.168.1.7"', None),
        ('[labels]\naddress = "https://bench.example/wf/"', "https://bench.example/wf"),
    ],
)  # fmt: skip
def test_the_address_of_the_page_is_known_from_the_bench_file(more: str, address: str) -> None:
    assert page_address(loads(BENCH + more, "bench.toml")) == address
