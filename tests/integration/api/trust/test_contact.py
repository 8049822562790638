"""`/.well-known/security.txt` as RFC 9116 has it: whom to tell of a hole in the service."""

from datetime import UTC, datetime, timedelta

import pytest
from pydantic import ValidationError

from moteledger.settings import Network

PATH = "/.well-known/security.txt"


async def test_the_contact_that_the_house_file_names_is_told_to_anybody(serving, guard) -> None:
    contact = "mailto:security@example.org"
    client = await serving(tokens_required=True, security_contact=contact)
    answer = await client.get(PATH)
    # RFC 9116 section 3: at this path, as text/plain with charset=utf-8.
    assert (answer.status, answer.headers["Content-Type"]) == (200, "text/plain; charset=utf-8")
    text = await answer.text()
    assert text.endswith("\n"), "section 4: each field ends its line"
    fields = [line.split(": ", 1) for line in text.splitlines()]
    named = [name.lower() for name, _ in fields]
    # Section 2.5.3: at least one Contact; 2.5.5: exactly one Expires, a time of RFC 3339, less than a year ahead.
    assert (named.count("contact"), named.count("expires")) == (1, 1)
    assert dict(fields)["Contact"] == contact
    expires = datetime.fromisoformat(dict(fields)["Expires"])
    assert expires.tzinfo is not None
    assert timedelta(days=1) < expires - guard.now < timedelta(days=365)
    guard.now = datetime(2027, 6, 1, 23, 59, tzinfo=UTC)
    later = (await (await client.get(PATH)).text()).splitlines()[1]
    assert datetime.fromisoformat(later.removeprefix("Expires: ")) > guard.now, "it is renewed as long as it is served"


async def test_where_nobody_is_named_it_says_how_to_name_somebody(serving) -> None:
    client = await serving(tokens_required=True)
    answer = await client.get(PATH)
    assert answer.status == 404
    assert "security_contact in [network]" in (await answer.json())["detail"]


@pytest.mark.parametrize(
    "contact", ["mailto:security@example.org", "https://example.org/security-contact.html", "tel:+1-201-555-0123"]
)
def test_the_kinds_of_the_standard_are_taken(contact: str) -> None:
    # RFC 9116 section 2.5.3, its own examples in kind.
    assert Network(security_contact=contact).security_contact == contact


@pytest.mark.parametrize(
    "contact",
    [
        "security@example.org",
        "http://example.org/",
        "mailto:a@b\nExpires: 2099-01-01T00:00:00Z",
        "https://",
        "tel:1",
        "",
    ],
)
def test_what_is_no_such_address_is_refused(contact: str) -> None:
    with pytest.raises(ValidationError, match="not an address to tell"):
        Network(security_contact=contact)
