"""A burst at 01:30 local time on both nights on which Dublin's clocks change.

IANA time zone database, Europe/Dublin: on 2026-03-29 local time jumps from 01:00 to 02:00, so that
01:30 does not exist and its burst comes at the jump; on 2026-10-25 it goes back from 02:00 to
01:00, so that 01:30 comes twice and the first one counts.
"""

from datetime import UTC, datetime

import pytest

SCHEDULE = """
[benches.north.mist]
dose_kpa_min = 600.0
cool_top = false
schedule = [{ at = ["01:30"], burst_s = 7.0 }]
"""


@pytest.mark.parametrize(
    ("start", "at"),
    [
        ("2026-03-28T22:00", "2026-03-29T01:00+00:00"),
        ("2026-10-24T22:00", "2026-10-25T00:30+00:00"),
        ("2026-06-10T22:00", "2026-06-11T00:30+00:00"),
    ],
    ids=["spring", "autumn", "plain night"],
)
def test_burst_at_half_past_one_is_on_the_wire_exactly_once(played, bench_text, start, at):
    play = played(bench_text(more=SCHEDULE), start=start, weather="autumn_damp")
    # Fresh softwood may be misted by night, so only the clock decides.
    play.stick(kind="softwood")
    play.play(8.0)
    begun_s, before = [], 0.0
    for at_s, fields in play.orders:
        lease_s = float(fields["mist"])
        if lease_s > before:
            begun_s.append((at_s, lease_s))
        before = lease_s
    assert [lease_s for _, lease_s in begun_s] == [7.0], [
        datetime.fromtimestamp(at_s, UTC).isoformat() for at_s, _ in begun_s
    ]
    wanted_s = datetime.fromisoformat(at).timestamp()
    assert begun_s[0][0] == pytest.approx(wanted_s, abs=2 * play.tick_s)
    assert play.rig.benches["north"].truth.bursts == 1
