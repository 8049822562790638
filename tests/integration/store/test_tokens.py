"""Tokens: what opens, what does not, and what is left in the file for a thief."""

import re
import sqlite3
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from moteledger.store import Store
from moteledger.store.tokens import MOST_BROWSERS, Scope, Tokens

NOW_US = 1_769_868_300_000_000
HOUR_US = 3_600 * 1_000_000


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path / "house.sqlite") as opened:
        yield opened


@pytest.fixture
def tokens(store: Store) -> Tokens:
    return Tokens(store)


@pytest.fixture(scope="module")
def many(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Tokens]:
    with Store.open(tmp_path_factory.mktemp("tokens") / "house.sqlite") as opened:
        held = Tokens(opened)
        held.new("a", [Scope.VIEW], NOW_US)
        yield held


def test_a_token_opens_what_it_was_made_for_and_says_which_it_is(tokens: Tokens) -> None:
    made, text = tokens.new("Hall tablet", [Scope.VIEW, Scope.AUTOMATE], NOW_US)
    assert tokens.find(text, NOW_US + HOUR_US) == made
    assert made.scopes == {Scope.VIEW, Scope.AUTOMATE}
    assert text.startswith(f"mote_{made.id}_")


def test_a_token_has_256_random_bits(tokens: Tokens) -> None:
    # 43 characters of base64url hold 258 bits, of which 256 are drawn (RFC 4648 section 5).
    texts = {tokens.new("x", [Scope.VIEW], NOW_US)[1] for _ in range(20)}
    assert len(texts) == 20
    assert all(re.fullmatch(r"mote_[0-9a-f]{8}_[A-Za-z0-9_-]{43}", text) for text in texts)


def test_nothing_that_opens_anything_lies_in_the_file(tokens: Tokens, store: Store) -> None:
    _, text = tokens.new("Hall tablet", [Scope.VIEW], NOW_US)
    exchanged = tokens.exchange(text, NOW_US)
    assert exchanged is not None
    with sqlite3.connect(store.path) as connection:
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    connection.close()
    content = b"".join(path.read_bytes() for path in store.path.parent.iterdir())
    assert b"Hall tablet" in content
    # A secret is the last 43 characters (RFC 4648 section 5, 32 bytes), and may itself hold the "_" before it.
    for shown in (text, exchanged[1]):
        secret = shown[-43:]
        assert re.fullmatch("[A-Za-z0-9_-]{43}", secret)
        assert secret.encode() not in content


def test_tokens_and_browsers_survive_a_restart(tmp_path: Path) -> None:
    path = tmp_path / "house.sqlite"
    with Store.open(path) as store:
        made, text = Tokens(store).new("tablet", [Scope.VIEW], NOW_US)
        exchanged = Tokens(store).exchange(text, NOW_US)
    assert exchanged is not None
    with Store.open(path) as store:
        assert Tokens(store).find(text, NOW_US) == made
        assert Tokens(store).find_browser(exchanged[1], NOW_US) == made


@given(shown=st.text(max_size=80) | st.from_regex(r"mote_[0-9a-f]{8}_[A-Za-z0-9_-]{43}", fullmatch=True))
def test_nothing_else_opens(many: Tokens, shown: str) -> None:
    assert many.find(shown, NOW_US) is None
    assert many.exchange(shown, NOW_US) is None
    assert many.find_browser(shown, NOW_US) is None


def test_a_token_s_own_text_changed_by_one_character_opens_nothing(tokens: Tokens) -> None:
    _, text = tokens.new("x", [Scope.VIEW], NOW_US)
    for place in range(len(text)):
        other = "A" if text[place] != "A" else "B"
        assert tokens.find(text[:place] + other + text[place + 1 :], NOW_US) is None
    assert tokens.find(text + "A", NOW_US) is None
    assert tokens.find(text[:-1], NOW_US) is None
    assert tokens.find(text.upper(), NOW_US) is None


def test_revoking_ends_a_token_and_the_browsers_that_hold_it_at_once(tokens: Tokens) -> None:
    made, text = tokens.new("x", [Scope.VIEW], NOW_US)
    exchanged = tokens.exchange(text, NOW_US)
    assert exchanged is not None
    assert tokens.revoke(made.id, NOW_US + 1)
    assert tokens.find(text, NOW_US + 2) is None
    assert tokens.find_browser(exchanged[1], NOW_US + 2) is None
    assert tokens.exchange(text, NOW_US + 2) is None
    assert tokens.revoke(made.id, NOW_US + 5), "revoking again changes nothing"
    assert [token.revoked_us for token in tokens.all()] == [NOW_US + 1]
    assert not tokens.revoke("nowhere", NOW_US)


def test_a_token_ends_when_it_was_to_end(tokens: Tokens) -> None:
    _, text = tokens.new("visit", [Scope.CONTRACTOR], NOW_US, expires_us=NOW_US + HOUR_US)
    exchanged = tokens.exchange(text, NOW_US)
    assert exchanged is not None
    assert tokens.find(text, NOW_US + HOUR_US - 1) is not None
    assert tokens.find_browser(exchanged[1], NOW_US + HOUR_US - 1) is not None
    assert tokens.find(text, NOW_US + HOUR_US) is None
    assert tokens.find_browser(exchanged[1], NOW_US + HOUR_US) is None
    assert not tokens.any_usable(NOW_US + HOUR_US)


def test_a_clock_that_lost_the_time_prolongs_no_token(tokens: Tokens) -> None:
    _, ending = tokens.new("visit", [Scope.CONTRACTOR], NOW_US, expires_us=NOW_US + HOUR_US)
    _, lasting = tokens.new("tablet", [Scope.VIEW], NOW_US)
    assert tokens.find(ending, 0) is None
    assert tokens.find(lasting, 0) is not None


def test_a_link_is_exchanged_once_and_opens_nothing_by_itself(tokens: Tokens) -> None:
    made, link = tokens.new("visit", [Scope.CONTRACTOR], NOW_US, expires_us=NOW_US + HOUR_US, browsers=1)
    assert tokens.find(link, NOW_US) is None
    exchanged = tokens.exchange(link, NOW_US)
    assert exchanged is not None
    assert tokens.exchange(link, NOW_US) is None
    found = tokens.find_browser(exchanged[1], NOW_US)
    assert found is not None
    assert (found.id, found.browsers_left) == (made.id, 0)


def test_a_link_opened_by_many_at_the_same_moment_is_still_exchanged_once(tokens: Tokens) -> None:
    _, link = tokens.new("tablet", [Scope.VIEW], NOW_US, browsers=1)
    with ThreadPoolExecutor(8) as threads:
        got = list(threads.map(lambda _: tokens.exchange(link, NOW_US), range(16)))
    assert sum(each is not None for each in got) == 1


def test_browsers_of_one_token_do_not_pile_up(tokens: Tokens, store: Store) -> None:
    _, text = tokens.new("tablet", [Scope.VIEW], NOW_US)
    cookies = [tokens.exchange(text, NOW_US + n) for n in range(MOST_BROWSERS + 3)]
    with store.read() as reader:
        assert reader.execute("SELECT count(*) FROM browser").fetchone() == (MOST_BROWSERS,)
    first, last = cookies[0], cookies[-1]
    assert first is not None and last is not None
    assert tokens.find_browser(first[1], NOW_US) is None
    assert tokens.find_browser(last[1], NOW_US) is not None


def test_the_last_use_is_noted_to_the_minute(tokens: Tokens) -> None:
    made, _ = tokens.new("tablet", [Scope.VIEW], NOW_US)
    noted = tokens.note_use(made, NOW_US)
    assert noted is not None
    noted.result()
    assert [token.used_us for token in tokens.all()] == [NOW_US]
    assert tokens.note_use(made, NOW_US + 30_000_000) is None
    assert tokens.note_use(made, NOW_US + 61_000_000) is not None


@pytest.mark.parametrize(
    ("label", "scopes", "more", "told"),
    [
        ("", [Scope.VIEW], {}, "is no label"),
        ("x" * 61, [Scope.VIEW], {}, "is no label"),
        ("two\nlines", [Scope.VIEW], {}, "is no label"),
        ("x", [], {}, "without a scope opens nothing"),
        ("x", [Scope.CONTRACTOR], {}, "a contractor's token must end"),
        ("x", [Scope.VIEW, Scope.CONTRACTOR], {}, "a contractor's token must end"),
        ("x", [Scope.VIEW], {"expires_us": NOW_US}, "end before it begins"),
        ("x", [Scope.VIEW], {"browsers": 0}, "a link for 0 browsers"),
    ],
)
def test_a_token_that_makes_no_sense_is_refused(tokens: Tokens, label: str, scopes, more, told: str) -> None:
    with pytest.raises(ValueError, match=told):
        tokens.new(label, scopes, NOW_US, **more)
    assert tokens.all() == ()
