"""The page may fail in any way it likes: the loop does not notice, and the page comes back."""

import logging
import socket

import pytest

from config.model import PagePlan
from controller.page import Board, Desk, PageServer
from controller.page.server import PageServer as Server

pytestmark = pytest.mark.usefixtures("no_thread_left")


def server_on(tmp_path, port=8046, **more):
    return PageServer(PagePlan(port=port), tmp_path / "b.db", Board(), Desk(), again_s=0.02, **more)


def test_port_that_is_taken_is_tried_again_until_it_is_free(tmp_path, caplog, eventually):
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        server = server_on(tmp_path, taken.getsockname()[1])
        with caplog.at_level(logging.ERROR):
            server.start()
            eventually(lambda: "can't be served on 127.0.0.1 port" in caplog.text)
    eventually(server.up.is_set)
    server.stop()
    assert caplog.text.count("can't be served") == 1


def test_fault_in_the_pages_thread_ends_nothing_and_it_begins_again(
    tmp_path, caplog, eventually, monkeypatch
):
    whole, tries = Server._serve, []

    async def broken(self):
        tries.append(1)
        if len(tries) < 3:
            raise ZeroDivisionError
        await whole(self)

    monkeypatch.setattr(Server, "_serve", broken)
    server = server_on(tmp_path, any_port=True)
    with caplog.at_level(logging.ERROR):
        server.start()
        eventually(server.up.is_set)
    assert len(tries) == 3
    assert "heat and mist go on without it" in caplog.text
    server.stop()


def test_stop_before_start_and_twice_is_nothing(tmp_path):
    server = server_on(tmp_path, any_port=True)
    server.stop()
    server.stop()


def test_page_without_a_journal_or_a_moment_says_so(tmp_path, eventually):
    import http.client

    server = server_on(tmp_path, any_port=True)
    server.start()
    eventually(server.up.is_set)
    connection = http.client.HTTPConnection("127.0.0.1", server.port, timeout=5)
    connection.request("GET", "/")
    answer = connection.getresponse()
    assert answer.status == 503
    assert "starting" in answer.read().decode()
    assert answer.headers["Refresh"] == "2", "it comes up by itself"
    connection.close()
    server.stop()
