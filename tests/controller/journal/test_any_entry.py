"""Whatever is entered for a batch is kept as it is or refused in words, with nothing changed."""

from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from config.recipes import recipe_for
from controller.entries import effective, left, lost
from controller.journal.batches import BatchBook
from controller.journal.errors import BatchError
from controller.journal.writer import Journal
from controller.records import EntryKind

STUCK_S = 1_772_452_800.0
TEXT = st.one_of(
    st.sampled_from(["0", "5", "40", "41", "-1", "nan", "1e3", "٢", "2_0", "", "yes", "rotted"]),
    st.text(max_size=40),
)
KEYS = st.one_of(
    st.sampled_from(["lost", "tested", "rooted", "callused", "potted", "saleable", "phase",
                     "cause", "wilted", "count", "into", "from", "split_to", "lost_rotted"]),
    st.text(max_size=12),
)  # fmt: skip


@pytest.fixture(scope="module")
def book(tmp_path_factory: pytest.TempPathFactory) -> Any:
    from config.load import loads

    text = Path("config/examples/one_tray_serial.toml").read_text(encoding="utf-8")
    site = loads(text, "one_tray_serial.toml")
    path = tmp_path_factory.mktemp("entries") / "bench.db"
    with Journal.open(path, site=site, durable=False) as journal:
        made = BatchBook(journal, site, lambda: STUCK_S + 30 * 86400.0)
        bench, plan = next(iter(site.benches.items()))
        recipe = recipe_for("softwood", "Lavandula angustifolia")
        made.stick("Lavandula angustifolia", "softwood", bench, next(iter(plan.bays)), 40, STUCK_S,
                   recipe=recipe)  # fmt: skip
        yield made, journal


def kept(journal: Journal) -> list[Any]:
    return journal.query("SELECT * FROM entry ORDER BY number")


@settings(
    max_examples=300,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
@given(
    kind=st.one_of(st.sampled_from([k for k in EntryKind if k != EntryKind.CLOSED]), TEXT),
    values=st.dictionaries(KEYS, TEXT, max_size=4),
    at_s=st.one_of(
        st.floats(),
        st.floats(STUCK_S, STUCK_S + 20 * 86400.0),
    ),
    by=TEXT,
    note=st.one_of(TEXT, st.just("x" * 5000)),
)
def test_any_entry_is_kept_or_refused(
    book: Any, kind: str, values: dict[str, str], at_s: float, by: str, note: str
) -> None:
    entries, journal = book
    before = kept(journal)
    try:
        entries.enter(1, kind, values, at_s, by, note)
    except BatchError as error:
        words = str(error)
        refused = bool(words.strip()) and kept(journal) == before
        assert refused, words
        return
    assert len(kept(journal)) == len(before) + 1
    (batch,) = journal.open_batches()
    standing = effective(entries.entries(1))
    assert 0 <= sum(lost(standing).values()) <= batch.cuttings
    assert left(batch, standing) >= 0
