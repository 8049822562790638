"""`moteledger token new | list | revoke`: who may ask a service for what."""

import argparse
import re
from datetime import UTC, datetime
from pathlib import Path

from ..store import Store, from_us, to_us
from ..store.houses import is_house_id
from ..store.tokens import Scope, Token, Tokens

_SPAN = re.compile(r"(\d{1,4})([hdw])")
_COLLECTOR_FILE = "collector.sqlite"
_SPAN_US = {"h": 3_600_000_000, "d": 86_400_000_000, "w": 604_800_000_000}


class TokenError(Exception):
    """The token cannot be made or found; the message says why."""


def add_token_command(commands: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Register the command and its three parts."""
    token = commands.add_parser("token", help="who may ask the service for what: make, list and revoke tokens")
    parts = token.add_subparsers(dest="part", required=True, metavar="new | list | revoke")

    new = parts.add_parser("new", help="make a token and show it once")
    _store_option(new)
    new.add_argument("--name", required=True, help="who or what it is for, such as 'hall tablet'")
    new.add_argument(
        "--scope",
        type=Scope,
        action="append",
        required=True,
        choices=list(Scope),
        metavar="SCOPE",
        help=f"what it opens: {', '.join(Scope)}; may be given several times",
    )
    new.add_argument(
        "--lasts", type=_span_us, metavar="SPAN", help="how long, such as 12h, 30d or 8w; a contractor's must end"
    )
    new.add_argument(
        "--link",
        metavar="ADDRESS",
        help="make a link to the service at this address for one browser, such as http://192.168.1.5:8467",
    )
    new.set_defaults(run=_new)

    listing = parts.add_parser("list", help="list the tokens, without what opens anything")
    _store_option(listing)
    listing.set_defaults(run=_list)

    revoke = parts.add_parser("revoke", help="make a token worthless, at once")
    revoke.add_argument("id", metavar="ID", help="as listed: the eight characters after mote_")
    _store_option(revoke)
    revoke.set_defaults(run=_revoke)


def _store_option(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--store", type=Path, required=True, metavar="FILE", help="where the service keeps its readings"
    )


def _span_us(text: str) -> int:
    match = _SPAN.fullmatch(text)
    if match is None or not int(match[1]):
        raise argparse.ArgumentTypeError(f"{text!r} is not a span of time; give for example 12h, 30d or 8w")
    return int(match[1]) * _SPAN_US[match[2]]


def _new(given: argparse.Namespace) -> int:
    now_us = to_us(datetime.now(UTC))
    if Scope.CONTRIBUTE in given.scope and given.store.resolve().name == _COLLECTOR_FILE:
        _check_house(given.name.strip())
    with Store.open(given.store) as store:
        try:
            token, text = Tokens(store).new(
                given.name,
                given.scope,
                now_us,
                expires_us=None if given.lasts is None else now_us + given.lasts,
                browsers=None if given.link is None else 1,
            )
        except ValueError as error:
            raise TokenError(f"{error}; see moteledger token new --help") from None
    if given.link is None:
        print(text)
    else:
        print(f"{given.link.rstrip('/')}/enter#{text}")
    print(f"{_told(token, now_us)}. It is shown this once; {token.id} is its name for revoking it.")
    return 0


def _check_house(name: str) -> None:
    """Raise TokenError for what no house can be called: a collector keeps what a token sends under the token's name."""
    if not is_house_id(name):
        raise TokenError(
            f"{name[:60]!r} cannot name a house, after which a collector's contribute token is named; "
            "give a --name of a-z, 0-9 and -, at most 60, such as tern-cottage"
        )


def _list(given: argparse.Namespace) -> int:
    now_us = to_us(datetime.now(UTC))
    with Store.open(given.store) as store:
        tokens = Tokens(store).all()
    for token in tokens:
        print(f"{token.id}  {_told(token, now_us)}")
    if not tokens:
        print("There are no tokens.")
    return 0


def _revoke(given: argparse.Namespace) -> int:
    with Store.open(given.store) as store:
        if not Tokens(store).revoke(given.id, to_us(datetime.now(UTC))):
            raise TokenError(f"there is no token {given.id!r} in {store.path}; see moteledger token list")
    print(f"{given.id} opens nothing any more.")
    return 0


def _told(token: Token, now_us: int) -> str:
    if token.revoked_us is not None:
        state = f"revoked {_minute(token.revoked_us)}"
    elif token.expires_us is None:
        state = "without end"
    else:
        state = f"{'good until' if token.usable(now_us) else 'ended'} {_minute(token.expires_us)}"
    parts = [token.label, ", ".join(sorted(token.scopes)), state]
    if token.browsers_left is not None:
        parts.append("link for one browser" if token.browsers_left else "link, used")
    parts.append("never used" if token.used_us is None else f"last used {_minute(token.used_us)}")
    return "; ".join(parts)


def _minute(time_us: int) -> str:
    return from_us(time_us).strftime("%Y-%m-%d %H:%M UTC")
