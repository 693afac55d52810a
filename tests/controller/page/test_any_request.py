"""Whatever is asked of the page, it answers in words and never with a fault of its own."""

import re
import urllib.parse
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from controller.page.doings import DOINGS

LOOK = ("/", "/bench/north", "/alarms", "/batches", "/batch/1", "/stick", "/parts")
KEYS = ("said", "days", "hours", "from", "to", "plant", "kind", "bench", "bay", "sort", "page", "x")
ODD = st.sampled_from(
    ["nan", "inf", "-1", "1e400", "99999999999999999999", "0", "", "٢", "<script>", "' OR 1=1 --",
     "=1+1", "../../etc/passwd", "\x00", "north.left", "1; DROP TABLE batch", "%", "\ud7ff"]
)  # fmt: skip
TEXT = st.one_of(ODD, st.text(max_size=60))
FEW = settings(
    max_examples=60,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
CALM = (200, 303, 400, 403, 404, 405, 409, 421, 422, 429)


def sound(answer: Any) -> None:
    """Words for a person; no fault, no number that is none."""
    assert answer.status in CALM, answer.text[-400:]
    assert "Traceback" not in answer.text
    assert "<script>alert" not in answer.text
    own = re.sub(r"<textarea\b.*?</textarea>", "", answer.text, flags=re.DOTALL)  # kept as typed
    assert not re.search(r">\s*(nan|inf|NaN|Infinity)\b", own)


@pytest.fixture(autouse=True)
def _as_fast_as_it_likes(here: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    """The limit on requests is another test's."""
    monkeypatch.setattr("controller.page.limits.Rate.allows", lambda *_: True)
    assert here


@FEW
@given(path=st.sampled_from(LOOK), query=st.dictionaries(st.sampled_from(KEYS), TEXT, max_size=4))
def test_any_argument_of_a_page(here: Any, path: str, query: dict[str, str]) -> None:
    sound(here.browser.ask(f"{path}?{urllib.parse.urlencode(query, errors='replace')}"))


@FEW
@given(tail=st.text(max_size=80))
def test_any_address(here: Any, tail: str) -> None:
    sound(here.browser.ask("/" + urllib.parse.quote(tail, errors="replace")))


@FEW
@given(
    fields=st.dictionaries(
        st.sampled_from(["place", "alarm", "minutes", "seconds", "value", "note", "back", "sure"]),
        TEXT,
    ),
    kind=st.sampled_from(["acknowledge", "shelve", "reset", "release", "hold_heat", "odd", ""]),
)
def test_any_act(here: Any, kind: str, fields: dict[str, str]) -> None:
    fields.pop("sure", None) if kind in ("reset", "hold_heat") else None
    fields = {"kind": kind, "form": here.browser.form_token(), **fields}
    sound(here.browser.ask("/act", {k: v.encode("utf-8", "replace") for k, v in fields.items()}))


FORMS = ("/stick", "/batch/1/entry/1", *(f"/batch/1/{act}" for act in DOINGS))


@pytest.fixture
def fields_of(here: Any) -> dict[str, list[str]]:
    """What each form asks for, looked up first: what is typed may close the batch."""
    token = here.browser.form_token()
    written = here.browser.ask("/batch/1/looked", {"note": b"leaves firm", "form": token})
    assert written.status == 303, written.text  # entry 1, to be put right
    found = {}
    for path in FORMS:
        names = set(re.findall(r'name="([a-z_]+)"', here.browser.ask(path).text))
        found[path] = sorted(names - {"form", "sure", "viewport"})
        assert found[path], f"{path} has no form"
    return found


@FEW
@given(path=st.sampled_from(FORMS), data=st.data(), sure=st.sampled_from(["", "yes"]))
def test_anything_typed_into_a_form(
    here: Any, fields_of: dict[str, list[str]], path: str, data: st.DataObject, sure: str
) -> None:
    typed = data.draw(st.dictionaries(st.sampled_from(fields_of[path]), TEXT))
    fields = {**typed, "sure": sure, "form": here.browser.form_token()}
    sound(here.browser.ask(path, {k: v.encode("utf-8", "replace") for k, v in fields.items()}))
