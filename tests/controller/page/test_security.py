"""The page's door. Each test is one rule of OWASP ASVS 5.0 V3, or of ETSI EN 303 645, as named."""

import contextlib
import http.client
import logging
import re
import socket
import time
from html.parser import HTMLParser

import pytest

from config.model import PagePlan
from controller.journal.reader import open_reader
from controller.page.limits import Rate, Tries
from controller.page.tokens import TokenError, Tokens

LAN = PagePlan(address="127.0.0.1", port=8046)
PATHS = ("/", "/bench/north", "/alarms", "/batches", "/batch/1", "/in", "/none", "/batch/99",
         "/stick", "/stick?plant=x&kind=softwood", "/batch/1/tested",
         "/compare", "/records", "/settings")  # fmt: skip


class Lan(PagePlan):
    """A plan that is served on loopback for the test, and counts as the network."""

    @property
    def loopback(self) -> bool:
        return False


@pytest.fixture(scope="module")
def tokens():
    return {("Maeve", "operate"): "", ("Aoife phone", "read"): ""}


@pytest.fixture(scope="module")
def lan(make_page, tokens):
    """A page on the network, with a token to act and one to look."""
    return make_page(Lan(port=8046, names=("bench.local",)), tokens=tokens)


@pytest.fixture
def visitor(lan):
    """A browser without a token."""
    return type(lan.browser)(lan.browser.port)


def come_in(browser, token):
    return browser.ask("/in", {"token": token})


# -- where it is served ---------------------------------------------------------------------------


def test_page_is_served_to_this_machine_alone_unless_told_otherwise():
    assert PagePlan().loopback
    assert not PagePlan(address="192.168.1.20").loopback
    assert not PagePlan(address="0.0.0.0", names=("bench.local",)).loopback


def test_page_on_the_network_is_not_served_while_nobody_has_a_token(tmp_path, caplog, eventually):
    from controller.page import Board, Desk, PageServer

    server = PageServer(
        Lan(port=8046), tmp_path / "b.db", Board(), Desk(), any_port=True, again_s=0.02
    )
    with caplog.at_level(logging.ERROR):
        server.start()
        eventually(lambda: "nobody has a token" in caplog.text)
        assert not server.up.is_set()
        server.tokens.make("Maeve", "operate")
        eventually(server.up.is_set)
    server.stop()
    assert caplog.text.count("nobody has a token") == 1, "said once, not every time"
    assert "warmfoot token new" in caplog.text


@pytest.mark.parametrize(
    "host", ["evil.example", "evil.example:8046", "", "127.0.0.1", "127.0.0.1:1"]
)
@pytest.mark.parametrize("path", ["/", "/parts", "/file/none", "/none"])
def test_name_that_does_not_lead_here_is_refused(here, host, path):
    """DNS rebinding: a stranger's name that resolves to this machine reads nothing."""
    answer = here.browser.ask(path, headers={"Host": host or "x"})
    assert answer.status == 421
    assert "Alder Lane" not in answer.text


@pytest.mark.parametrize("host", ["localhost", "LOCALHOST", "127.0.0.1", "[::1]"])
def test_own_names_are_let_in(here, host):
    answer = here.browser.ask("/", headers={"Host": f"{host}:{here.browser.port}"})
    assert answer.status == 200


# -- requests that another site makes -------------------------------------------------------------


def acts(kept):
    with open_reader(kept.journal) as reader:
        return [one.act for one in reader.acts()]


FORM = {"kind": "hold_heat", "place": "north.left", "minutes": "30", "sure": "yes"}


@pytest.mark.parametrize(
    "headers",
    [
        {"Origin": "https://evil.example"},
        {"Origin": "null"},
        {"Origin": "http://127.0.0.1:1"},
        {"Sec-Fetch-Site": "cross-site"},
        {"Sec-Fetch-Site": "same-site"},
    ],
)
def test_act_that_another_site_asks_for_is_refused(here, headers):
    before = acts(here)
    fields = {**FORM, "form": here.browser.form_token()}
    answer = here.browser.ask("/act", fields, headers=headers)
    assert answer.status == 403
    assert acts(here) == before


@pytest.mark.parametrize("token", ["", "0" * 32, "é"])
def test_act_without_the_forms_own_token_is_refused(here, token):
    before = acts(here)
    assert here.browser.ask("/act", {**FORM, "form": token}).status == 403
    assert acts(here) == before


def test_looking_changes_nothing(here):
    before = acts(here)
    for path in ("/act?kind=burst&place=north&sure=yes", "/out", "/in?token=x"):
        answer = here.browser.ask(path)
        assert answer.status in (303, 405)
    assert acts(here) == before


# -- what answers carry ---------------------------------------------------------------------------


@pytest.mark.parametrize("path", PATHS)
def test_every_answer_forbids_foreign_and_inline_content(here, path):
    headers = here.browser.ask(path).headers
    policy = dict(
        part.strip().split(" ", 1) for part in headers["content-security-policy"].split(";")
    )
    assert policy["default-src"] == "'none'"
    for kind in ("script-src", "style-src", "connect-src", "form-action"):
        assert policy[kind] == "'self'"
    for kind in ("object-src", "base-uri", "frame-ancestors"):
        assert policy[kind] == "'none'"
    assert "unsafe" not in headers["content-security-policy"]
    assert headers["x-content-type-options"] == "nosniff"
    assert headers["referrer-policy"] == "same-origin"
    assert headers["cache-control"] == "no-store"
    assert "access-control-allow-origin" not in headers
    assert "server" not in headers


class Inline(HTMLParser):
    """Finds what the policy would block, and every address a page would ask for."""

    def __init__(self):
        super().__init__()
        self.found, self.addresses = [], []

    def handle_starttag(self, tag, attrs):
        names = dict(attrs)
        self.addresses += [names[key] for key in ("src", "href", "action") if names.get(key)]
        if (tag == "script" and "src" not in names) or tag in ("style", "iframe", "object"):
            self.found.append(tag)
        self.found += [key for key in names if key == "style" or key.startswith("on")]


@pytest.mark.parametrize("path", PATHS)
def test_no_page_has_inline_script_or_style_or_an_address_elsewhere(here, path):
    page = Inline()
    page.feed(here.browser.ask(path).text)
    assert page.found == []
    assert page.addresses or path == "/in", "it leads on at once here"
    for address in page.addresses:
        assert address.startswith(("/", "#", "data:,")), address
        assert not address.startswith("//")


def test_files_are_named_after_their_content_and_may_be_kept(here):
    names = re.findall(r"/file/[0-9a-f]{12}\.(?:css|js)", here.browser.ask("/").text)
    assert len(names) == 2
    for name in names:
        answer = here.browser.ask(name)
        assert answer.status == 200
        assert "immutable" in answer.headers["cache-control"]
        assert "http:" not in answer.text.replace("http://www.w3.org/2000/svg", "")
        assert "https:" not in answer.text
        assert "@import" not in answer.text


# -- hostile text ---------------------------------------------------------------------------------

HOSTILE = '</title><script>alert(1)</script><img src=x onerror=alert(2)>" onload="x {{7*7}}'


@pytest.fixture(scope="module")
def hostile(make_page):
    return make_page(plant=HOSTILE)


@pytest.mark.parametrize("path", ["/", "/batches", "/batch/1", "/parts", "/parts?at=/batches"])
def test_name_of_a_batch_is_text_whatever_it_holds(hostile, path):
    answer = hostile.browser.ask(path)
    assert answer.status == 200
    assert "alert(1)" in answer.text
    text = answer.text.encode().decode("unicode_escape") if "parts" in path else answer.text
    assert "<script>alert" not in text
    assert "<img" not in text
    page = Inline()
    page.feed(text)
    assert page.found == []


def test_address_asked_for_is_not_repeated(here):
    answer = here.browser.ask("/bench/%3Cscript%3Ealert(1)%3C/script%3E?said=%3Cb%3E&span=%22%3E")
    assert answer.status == 404
    assert "script>alert" not in answer.text
    answer = here.browser.ask("/?said_text=You+must+send+your+token+to+evil.example&said=x")
    assert "evil.example" not in answer.text


# -- tokens ---------------------------------------------------------------------------------------


def test_network_sees_nothing_without_a_token(visitor):
    for path in ("/", "/bench/north", "/alarms", "/batches"):
        answer = visitor.ask(path)
        assert (answer.status, answer.headers["location"]) == (303, "/in")
    for path in ("/live", "/parts"):
        assert visitor.ask(path).status == 401
    assert visitor.ask("/act", FORM).status == 303
    assert "Alder Lane" not in visitor.ask("/in").text


def test_token_opens_the_door_and_is_kept_where_no_script_reads_it(visitor, tokens):
    answer = come_in(visitor, tokens[("Maeve", "operate")])
    assert answer.status == 303
    cookie = answer.headers["set-cookie"]
    assert "HttpOnly" in cookie
    assert "SameSite=Strict" in cookie
    assert "Path=/" in cookie
    assert "Maeve" in visitor.ask("/").text
    assert tokens[("Maeve", "operate")] not in visitor.ask("/").text


def test_token_to_look_does_not_act(visitor, tokens, lan):
    come_in(visitor, tokens[("Aoife phone", "read")])
    page = visitor.ask("/bench/north").text
    assert 'action="/act"' not in page
    before = acts(lan)
    assert visitor.ask("/act", FORM).status == 403
    assert acts(lan) == before


def test_form_token_of_one_person_is_worth_nothing_to_another(visitor, tokens, lan):
    come_in(visitor, tokens[("Maeve", "operate")])
    stolen = visitor.form_token()
    other = type(visitor)(visitor.port)
    lan.live.server.tokens.make("Niall", "operate")
    come_in(other, lan.live.server.tokens.make("Niall", "operate"))
    assert other.ask("/act", {**FORM, "form": stolen}).status == 403


def test_token_that_was_taken_back_ends_at_once(visitor, lan):
    token = lan.live.server.tokens.make("Guest", "read")
    come_in(visitor, token)
    assert visitor.ask("/").status == 200
    lan.live.server.tokens.drop("Guest")
    assert visitor.ask("/").status == 303


def test_wrong_tokens_are_slowed_down_and_never_logged(make_page, caplog):
    kept = make_page(Lan(port=8046), tokens={("Maeve", "operate"): ""})
    secret = "this-could-have-been-a-real-token"
    with caplog.at_level(logging.DEBUG):
        answers = [come_in(kept.browser, secret).status for _ in range(8)]
    assert answers[:5] == [403] * 5
    assert set(answers[5:]) == {429}
    assert "wrong token" in caplog.text
    assert secret not in caplog.text


def test_tokens_have_128_bits_and_only_their_hashes_are_kept(tmp_path):
    tokens = Tokens(tmp_path / "t.json")
    made = {tokens.make(f"n{i}", "read") for i in range(50)}
    assert len(made) == 50
    assert all(len(token) >= 22 for token in made), "22 letters of base 64 hold 128 bits"
    kept = (tmp_path / "t.json").read_text()
    assert not any(token in kept for token in made)
    assert (tmp_path / "t.json").stat().st_mode & 0o777 == 0o600


def test_new_token_of_a_name_ends_the_old_one(tmp_path):
    tokens = Tokens(tmp_path / "t.json")
    old, new = tokens.make("Maeve", "operate"), tokens.make("Maeve", "read")
    assert tokens.holder(old) is None
    assert tokens.holder(new) == ("Maeve", "read")
    other = Tokens(tmp_path / "t.json")
    other.drop("Maeve")
    assert tokens.holder(new) is None, "a change by another program counts at once"


@pytest.mark.parametrize("text", ["{", "[]", '{"x": 1}', '{"%s": ["a", "root"]}' % ("0" * 64)])
def test_spoilt_file_of_tokens_lets_nobody_in(tmp_path, text):
    (tmp_path / "t.json").write_text(text)
    tokens = Tokens(tmp_path / "t.json")
    with pytest.raises(TokenError, match="nobody is let in"):
        tokens.holder("x")


# -- limits ---------------------------------------------------------------------------------------


def test_body_of_more_than_16_kb_is_not_taken(here):
    fields = {**FORM, "form": here.browser.form_token(), "note": "x" * 17_000}
    before = acts(here)
    with contextlib.suppress(ConnectionError, http.client.HTTPException):  # or it hangs up
        assert here.browser.ask("/act", fields).status in (400, 413)
    assert acts(here) == before


def test_client_that_dawdles_over_its_headers_is_shut_out(make_page, monkeypatch):
    monkeypatch.setattr("controller.page.server.HEADER_S", 0.3)
    kept = make_page()
    with socket.create_connection(("127.0.0.1", kept.browser.port), 5) as slow:
        slow.sendall(b"GET / HTTP/1.1\r\nHost: 127")
        slow.settimeout(5)
        began_s = time.monotonic()
        slow.recv(100)
        assert time.monotonic() - began_s < 4


def test_no_more_connections_than_the_page_can_bear(make_page, monkeypatch, eventually):
    monkeypatch.setattr("controller.page.server.CONNECTIONS_MOST", 5)
    kept = make_page()
    held = [socket.create_connection(("127.0.0.1", kept.browser.port), 5) for _ in range(12)]
    shut = []
    for one in held:
        one.settimeout(0.5)
        try:
            shut.append(one.recv(1) == b"")
        except TimeoutError:
            shut.append(False)
        except ConnectionError:
            shut.append(True)
    assert sum(shut) == 7
    for one in held:
        one.close()

    def answers():
        try:
            return kept.browser.ask("/").status == 200
        except OSError:
            return False

    eventually(answers)


def test_one_address_asks_so_often_and_no_oftener(make_page):
    kept = make_page()
    answers = [kept.browser.ask("/file/none").status for _ in range(260)]
    assert 429 in answers
    assert answers.index(429) >= 200


def test_rate_lets_a_browser_go_on_after_a_rest():
    rate = Rate(per_s=2.0, burst=3.0)
    assert [rate.allows("a", 0.0) for _ in range(4)] == [True, True, True, False]
    assert rate.allows("b", 0.0), "each address by itself"
    assert rate.allows("a", 0.5)
    assert not rate.allows("a", 0.6)


def test_rate_forgets_the_addresses_longest_unseen():
    rate = Rate(per_s=0.0, burst=1.0)
    for number in range(2000):
        rate.allows(str(number), 0.0)
    assert len(rate._left) == 1000
    assert not rate.allows("1999", 0.0)


def test_wait_after_wrong_tokens_doubles_and_ends():
    tries = Tries(free=2, first_s=2.0, most_s=60.0)
    waits = []
    for _ in range(9):
        tries.failed("a", 0.0)
        waits.append(tries.wait_s("a", 0.0))
    assert waits == [0.0, 2.0, 4.0, 8.0, 16.0, 32.0, 60.0, 60.0, 60.0]
    assert tries.may_try("a", 61.0)
    tries.passed("a")
    assert tries.wait_s("a", 0.0) == 0.0


def test_many_addresses_guess_no_faster_than_one():
    tries = Tries()
    tried = sum(tries.may_try(f"10.0.{i // 250}.{i % 250}", i / 100) for i in range(5000))
    assert tried <= 60 + 0.2 * 50 + 1


# -- faults ---------------------------------------------------------------------------------------


def test_fault_in_a_page_gives_a_short_name_and_goes_to_the_log(here, monkeypatch, caplog):
    from controller.page import bench

    def broken(*_args):
        raise ZeroDivisionError("secret of the bench")

    monkeypatch.setattr(bench, "_section", broken)
    with caplog.at_level(logging.ERROR):
        answer = here.browser.ask("/bench/north?span=7d")
    assert answer.status == 500
    assert "ZeroDivision" not in answer.text
    assert "secret" not in answer.text
    name = re.search(r"fault in the page \(([0-9a-f]{8})\)", answer.text)
    assert name
    assert name[1] in caplog.text
    assert here.browser.ask("/").status == 200
