"""The datagrams of sd_notify(3), and a bell that signal handlers may ring."""

import os
import signal
import socket
import time

import pytest

from controller.service_manager import Bell, ServiceManager


@pytest.fixture(params=["path", "abstract"])
def manager(request, tmp_path, monkeypatch):
    """(listening socket, what is made from its address)."""
    name = str(tmp_path / "notify") if request.param == "path" else f"@warmfoot-{os.getpid()}"
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as wire:
        wire.bind(name if name[0] == "/" else "\0" + name[1:])
        wire.setblocking(False)
        monkeypatch.setenv("NOTIFY_SOCKET", name)
        yield wire, ServiceManager()


def test_lines_go_out_as_one_datagram(manager):
    wire, made = manager
    made.send("READY=1", "STATUS=keeping Alder Lane")
    assert wire.recv(4096) == b"READY=1\nSTATUS=keeping Alder Lane"


def test_silent_without_a_manager_and_with_one_that_is_gone(monkeypatch, tmp_path):
    monkeypatch.delenv("NOTIFY_SOCKET", raising=False)
    ServiceManager().send("READY=1")
    monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "nobody"))
    ServiceManager().send("READY=1")


@pytest.mark.parametrize(
    ("usec", "pid", "wanted_s"),
    [
        ("30000000", None, 30.0),
        ("30000000", "own", 30.0),
        ("30000000", "1", None),
        ("", None, None),
        ("0", None, None),
        ("soon", None, None),
        ("-5", None, None),
    ],
)
def test_watchdog_interval_is_read_as_sd_watchdog_enabled_does(monkeypatch, usec, pid, wanted_s):
    monkeypatch.setenv("WATCHDOG_USEC", usec)
    monkeypatch.delenv("WATCHDOG_PID", raising=False)
    if pid is not None:
        monkeypatch.setenv("WATCHDOG_PID", str(os.getpid()) if pid == "own" else pid)
    assert ServiceManager().watchdog_s == wanted_s


def test_bell_rung_by_a_signal_ends_the_wait_and_one_rung_before_is_not_lost():
    bell = Bell()
    before = signal.signal(signal.SIGALRM, lambda *_: bell.ring())
    try:
        signal.setitimer(signal.ITIMER_REAL, 0.05)
        begun_s = time.monotonic()
        bell.wait(10.0)
        assert time.monotonic() - begun_s < 5.0
        bell.ring()
        bell.ring()
        bell.wait(10.0)
        assert time.monotonic() - begun_s < 5.0
        begun_s = time.monotonic()
        bell.wait(0.05)
        assert time.monotonic() - begun_s >= 0.04, "heard once, it does not ring on"
    finally:
        signal.signal(signal.SIGALRM, before)
        bell.close()


def test_bell_that_nobody_hears_can_be_rung_for_ever():
    bell = Bell()
    for _ in range(100_000):
        bell.ring()
    bell.wait(0.0)
    bell.close()
