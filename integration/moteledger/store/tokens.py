"""Tokens and the browsers that hold one: made at random, kept as hashes, scoped, expiring, revocable.

Only the SHA-256 of a secret is kept. A slow password hash guards secrets that people choose, by making each guess
dear; a secret of 256 random bits cannot be guessed at any price, so a fast hash gives nothing away and lets the
service check it at every request.
"""

import hmac
import secrets
import sqlite3
from collections.abc import Iterable
from concurrent.futures import Future
from dataclasses import dataclass
from enum import StrEnum
from hashlib import sha256

from .store import Store

PREFIX = "mote"
LABEL_LENGTH = 60
MOST_BROWSERS = 50
"""How many browsers may hold one token at once; a further one takes the place of the oldest."""

_SECRET_BYTES = 32
_MINUTE_US = 60 * 1_000_000
_CLOCK_SLACK_US = 10 * _MINUTE_US
_COLUMNS = "token.id, label, scopes, token.created, expires, revoked, used, browsers_left"
_NOBODY = sha256(b"nobody").digest()


class Scope(StrEnum):
    """What a token opens; which routes that is stands in the service's table of scopes."""

    VIEW = "view"
    CONTRIBUTE = "contribute"
    AUTOMATE = "automate"
    CONTRACTOR = "contractor"
    ADMIN = "admin"


@dataclass(frozen=True)
class Token:
    """What is known of a token; times in microseconds since 1970 UTC.

    `id` is its public name, part of the token itself. `browsers_left` is how often it may still be exchanged for a
    browser's cookie if it is a link; None if it is no link, but a token that programs show at every request.
    """

    id: str
    label: str
    scopes: frozenset[Scope]
    created_us: int
    expires_us: int | None
    revoked_us: int | None
    used_us: int | None
    browsers_left: int | None

    def usable(self, now_us: int) -> bool:
        """Whether it still opens anything.

        A clock that shows a time before the token was made has lost the time; a token with an end is refused then,
        since its end may have passed.
        """
        if self.revoked_us is not None:
            return False
        return self.expires_us is None or self.created_us - _CLOCK_SLACK_US <= now_us < self.expires_us


class Tokens:
    """The tokens in a store; every method but `note_use` waits for the disk, all raise StoreError when it fails."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self._noted: dict[str, int] = {}

    def new(
        self,
        label: str,
        scopes: Iterable[Scope],
        now_us: int,
        *,
        expires_us: int | None = None,
        browsers: int | None = None,
    ) -> tuple[Token, str]:
        """Make a token; the text that is shown once and kept nowhere comes with it.

        Raises ValueError for no or an overlong label, no scope, an end that is not to come, a contractor's token
        without an end, or a link for less than one browser.
        """
        wanted = frozenset(scopes)
        if not 0 < len(label.strip()) <= LABEL_LENGTH or not label.isprintable():
            raise ValueError(f"{label!r} is no label; say in 1 to {LABEL_LENGTH} characters who or what it is for")
        if not wanted:
            raise ValueError(f"a token without a scope opens nothing; give some of {', '.join(Scope)}")
        if Scope.CONTRACTOR in wanted and expires_us is None:
            raise ValueError("a contractor's token must end; say how long it is to last")
        if expires_us is not None and expires_us <= now_us:
            raise ValueError("the token would end before it begins; give a time to come")
        if browsers is not None and not 1 <= browsers <= MOST_BROWSERS:
            raise ValueError(f"a link for {browsers} browsers; give 1 to {MOST_BROWSERS}")
        token = Token(secrets.token_hex(4), label.strip(), wanted, now_us, expires_us, None, None, browsers)
        secret = secrets.token_urlsafe(_SECRET_BYTES)

        def work(connection: sqlite3.Connection) -> None:
            connection.execute(
                "INSERT INTO token (id, digest, label, scopes, created, expires, browsers_left)"
                " VALUES (?, ?, ?, ?, ?, ?, ?)",
                (token.id, _digest(secret), token.label, " ".join(sorted(wanted)), now_us, expires_us, browsers),
            )

        self._store.write(work).result()
        return token, f"{PREFIX}_{token.id}_{secret}"

    def all(self) -> tuple[Token, ...]:
        """Every token ever made, the oldest first."""
        with self._store.read() as reader:
            rows = reader.execute(f"SELECT {_COLUMNS} FROM token ORDER BY created, id").fetchall()  # noqa: S608
        return tuple(map(_token, rows))

    def any_usable(self, now_us: int) -> bool:
        """Whether there is a token that opens anything."""
        return any(token.usable(now_us) for token in self.all())

    def revoke(self, token_id: str, now_us: int) -> bool:
        """Make a token, and the browsers that hold it, worthless at once; False if there is none of that name."""

        def work(connection: sqlite3.Connection) -> bool:
            connection.execute("DELETE FROM browser WHERE token = ?", (token_id,))
            found = connection.execute(
                "UPDATE token SET revoked = coalesce(revoked, ?) WHERE id = ?", (now_us, token_id)
            )
            return found.rowcount > 0

        return self._store.write(work).result()

    def find(self, text: str, now_us: int) -> Token | None:
        """The usable token that a program shows; a link is none."""
        token = self._shown(text, now_us)
        return None if token is None or token.browsers_left is not None else token

    def exchange(self, text: str, now_us: int) -> tuple[Token, str] | None:
        """Take a token or a link for a browser; returns it with the text for the browser's cookie.

        A link is good for as many exchanges as it was made for; then, and for what is no usable token, None.
        """
        token = self._shown(text, now_us)
        if token is None:
            return None
        name, secret = secrets.token_hex(8), secrets.token_urlsafe(_SECRET_BYTES)

        def work(connection: sqlite3.Connection) -> bool:
            allowed = connection.execute(
                "UPDATE token SET browsers_left = browsers_left - 1"
                " WHERE id = ? AND revoked IS NULL AND (browsers_left IS NULL OR browsers_left > 0)",
                (token.id,),
            )
            if not allowed.rowcount:
                return False
            connection.execute(
                "INSERT INTO browser (id, token, digest, created) VALUES (?, ?, ?, ?)",
                (name, token.id, _digest(secret), now_us),
            )
            connection.execute(
                "DELETE FROM browser WHERE token = ? AND id NOT IN"
                " (SELECT id FROM browser WHERE token = ? ORDER BY created DESC, rowid DESC LIMIT ?)",
                (token.id, token.id, MOST_BROWSERS),
            )
            return True

        return (token, f"{name}_{secret}") if self._store.write(work).result() else None

    def find_browser(self, cookie: str, now_us: int) -> Token | None:
        """The usable token behind a browser's cookie."""
        name, _, secret = cookie.partition("_")
        with self._store.read() as reader:
            row = reader.execute(
                f"SELECT browser.digest, {_COLUMNS} FROM browser JOIN token ON token.id = browser.token"  # noqa: S608
                " WHERE browser.id = ?",
                (name,),
            ).fetchone()
        return _proven(row, secret, now_us)

    def note_use(self, token: Token, now_us: int) -> Future[None] | None:
        """Remember, to the minute, that it was used; returns without waiting."""
        if now_us - max(token.used_us or 0, self._noted.get(token.id, 0)) < _MINUTE_US:
            return None
        self._noted[token.id] = now_us

        def work(connection: sqlite3.Connection) -> None:
            connection.execute("UPDATE token SET used = ? WHERE id = ?", (now_us, token.id))

        return self._store.write(work)

    def _shown(self, text: str, now_us: int) -> Token | None:
        prefix, _, rest = text.partition("_")
        token_id, _, secret = rest.partition("_")
        with self._store.read() as reader:
            row = reader.execute(
                f"SELECT digest, {_COLUMNS} FROM token WHERE id = ?",  # noqa: S608
                (token_id if prefix == PREFIX else "",),
            ).fetchone()
        return _proven(row, secret, now_us)


def _proven(row: tuple[bytes, *tuple[object, ...]] | None, secret: str, now_us: int) -> Token | None:
    """The token of a row if the secret is its own; takes as long whether or not it is, and without a row."""
    kept, *columns = row if row is not None else (_NOBODY,)
    right = hmac.compare_digest(_digest(secret), kept)
    if row is None or not right:
        return None
    token = _token(columns)
    return token if token.usable(now_us) else None


def _digest(secret: str) -> bytes:
    return sha256(secret.encode("utf-8", "surrogateescape")).digest()


def _token(row: Iterable[object]) -> Token:
    token_id, label, scopes, *rest = row
    return Token(str(token_id), str(label), frozenset(map(Scope, str(scopes).split())), *rest)  # type: ignore[arg-type]
