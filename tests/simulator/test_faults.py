"""Faults are data: read from text, standing from and until their second."""

import pytest

from simulator.faults import KINDS, FaultBook, FaultError, make_fault, parse_fault


def test_fault_stands_from_its_second_until_its_end():
    book = FaultBook([make_fault("mat_dead", 100.0, hours=1.0)])
    assert book.faults_at(99.9) == ()
    assert [f.kind for f in book.faults_at(100.0)] == ["mat_dead"]
    assert [f.kind for f in book.faults_at(3699.9)] == ["mat_dead"]
    assert book.faults_at(3700.0) == ()


def test_book_may_be_asked_in_any_order():
    book = FaultBook(
        [make_fault("mat_dead", 100.0, hours=1), make_fault("lid_open", 2000.0, hours=1)]
    )
    kinds = [[f.kind for f in book.faults_at(t)] for t in (6000.0, 2500.0, 4000.0, 0.0, 150.0)]
    assert kinds == [[], ["mat_dead", "lid_open"], ["lid_open"], [], ["mat_dead"]]


def test_same_tuple_comes_until_something_changes():
    book = FaultBook([make_fault("mat_dead", 100.0, hours=1.0)])
    assert book.faults_at(200.0) is book.faults_at(3000.0)


def test_text_names_kind_target_day_hour_length_and_size():
    fault = parse_fault("mat_half:north.left.mat@3+14.5/6=0.3")
    assert fault == (
        "mat_half",
        2 * 86400 + 14.5 * 3600,
        2 * 86400 + 20.5 * 3600,
        "north.left.mat",
        0.3,
    )
    short = parse_fault("power_cut@9")
    assert (short.at_s, short.until_s) == (8 * 86400, 8 * 86400 + KINDS["power_cut"].hours * 3600)


def test_days_count_from_one_and_hours_from_the_start_of_the_rehearsal():
    assert parse_fault("mat_dead@1").at_s == 0.0
    assert parse_fault("mat_dead@1+0").at_s == 0.0
    assert parse_fault("mat_dead@2+1").at_s == 25 * 3600.0
    with pytest.raises(FaultError, match="the first day is 1"):
        parse_fault("mat_dead@0+14")


def test_no_fault_falls_between_two_of_the_longest_steps():
    assert all(kind.hours * 3600.0 > 30.0 for kind in KINDS.values())


@pytest.mark.parametrize(
    "text",
    [
        "mat_dead",
        "mat_dead@",
        "mat_dead@x",
        "mat_dead@1+2/x",
        "mat_dead@0",
        "fire@3",
        "mat_dead@2/0",
    ],
)
def test_unreadable_fault_says_what_to_write(text):
    with pytest.raises(FaultError, match="mat_dead"):
        parse_fault(text)
