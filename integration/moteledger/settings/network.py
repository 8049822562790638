"""`[network]`: where the service listens, by which names, who may ask, and how much."""

import re
import ssl
from ipaddress import ip_address
from typing import Annotated, Self
from urllib.parse import urlsplit

from pydantic import AfterValidator, Field, model_validator

from .secret import FileName
from .table import Table
from .tls import TlsError

LOOPBACK_NAMES = ("localhost", "127.0.0.1", "[::1]")

_CONTACT = re.compile(r"mailto:[!-?A-~]+@[!-?A-~]+|https://[!-~]+|tel:\+[0-9-]{3,30}", re.ASCII)
_NAME = re.compile(r"(?=.{1,253}$)[a-z0-9]([a-z0-9-]{0,61}[a-z0-9])?(\.[a-z0-9]([a-z0-9-]{0,61}[a-z0-9])?)*")


def _listen_address(text: str) -> str:
    try:
        return str(ip_address(text))
    except ValueError:
        raise ValueError(
            f"{text!r} is not an IP address; write '127.0.0.1' for this machine only, or '0.0.0.0' for every network"
        ) from None


def _host_name(text: str) -> str:
    name = text.lower().removesuffix(".")
    try:
        return _in_address(name.strip("[]"))
    except ValueError:
        if not _NAME.fullmatch(name):
            raise ValueError(f"{text!r} is not a host name; write for example 'ledger.home.arpa', no port") from None
    return name


def _in_address(address: str) -> str:
    """An IP address as it stands in the Host header: version 6 in brackets."""
    ip = ip_address(address)
    return f"[{ip}]" if ip.version == 6 else str(ip)


def _origin(text: str) -> str:
    try:
        parts = urlsplit(text)
        right = parts.scheme in ("http", "https") and parts.hostname and text == f"{parts.scheme}://{parts.netloc}"
        if not right or parts.port == 0 or not _host_name(str(parts.hostname)) or "@" in parts.netloc:
            raise ValueError
    except ValueError:
        raise ValueError(
            f"{text!r} is not an origin; write scheme, host and port only, for example 'https://board.home.arpa:8443'"
        ) from None
    return text.lower()


def _contact(text: str) -> str:
    # RFC 9116 section 2.5.3: a URI, and of the web only by https.
    if not _CONTACT.fullmatch(text):
        raise ValueError(
            f"{text!r} is not an address to tell; write for example 'mailto:security@example.org', "
            "'https://example.org/security' or 'tel:+1-201-555-0123'"
        )
    return text


Origins = tuple[Annotated[str, AfterValidator(_origin)], ...]


class Network(Table):
    """Where the service listens and whom it answers; the default is this machine only, without tokens.

    `host_names` are further names by which it may be addressed. `allowed_origins` are the web pages whose scripts may
    ask (CORS), `embed_origins` those that may show the cards in a frame. Listening beyond the loopback address always
    takes a token at every request; on it, `tokens_required` asks for one too. Limits are those of one client, by its
    address; `connections` is that of all together. `announce` tells others on the network, by DNS-SD, that the
    service is there and what the house is called. `security_contact` is whom to tell of a hole in the service.
    """

    listen: Annotated[str, AfterValidator(_listen_address)] = "127.0.0.1"
    host_names: Annotated[tuple[Annotated[str, AfterValidator(_host_name)], ...], Field(max_length=20)] = ()
    tokens_required: bool | None = None
    allowed_origins: Annotated[Origins, Field(max_length=20)] = ()
    embed_origins: Annotated[Origins, Field(max_length=20)] = ()
    certificate_file: FileName | None = None
    key_file: FileName | None = None
    requests_per_second: Annotated[float, Field(gt=0, le=100_000)] | None = None
    connections: Annotated[int, Field(ge=1, le=10_000)] = 512
    connections_per_client: Annotated[int, Field(ge=1, le=10_000)] | None = None
    announce: bool = False
    security_contact: Annotated[str, Field(max_length=200), AfterValidator(_contact)] | None = None

    @model_validator(mode="after")
    def _tokens_beyond_this_machine(self) -> Self:
        if self.tokens_required is False and not self.on_loopback:
            raise ValueError(
                f"tokens_required = false, but {self.listen} can be reached from other machines; leave it out"
            )
        return self

    @model_validator(mode="after")
    def _whole_pair(self) -> Self:
        if (self.certificate_file is None) != (self.key_file is None):
            raise ValueError("certificate_file and key_file belong together; give both or neither")
        return self

    @model_validator(mode="after")
    def _somebody_to_announce_to(self) -> Self:
        if self.announce and self.on_loopback:
            raise ValueError("announce = true, but only this machine reaches the service; set listen, or leave it out")
        return self

    @property
    def on_loopback(self) -> bool:
        """Whether only this machine reaches the service."""
        return ip_address(self.listen).is_loopback

    @property
    def needs_tokens(self) -> bool:
        """Whether every request must show a token."""
        return self.tokens_required is True or not self.on_loopback

    @property
    def names(self) -> tuple[str, ...]:
        """What the Host header may say: the loopback names, the address that is listened on, and those given."""
        listened = () if ip_address(self.listen).is_unspecified else (_in_address(self.listen),)
        return tuple(dict.fromkeys((*LOOPBACK_NAMES, *listened, *self.host_names)))

    @property
    def most_requests_per_second(self) -> float:
        """Of one client, in the long run: as given, or 2000 on the loopback address and 50 beyond it."""
        return self.requests_per_second or (2000.0 if self.on_loopback else 50.0)

    @property
    def most_connections_per_client(self) -> int:
        """At once: as given, or all on the loopback address and 32 beyond it."""
        return min(self.connections_per_client or (self.connections if self.on_loopback else 32), self.connections)

    def tls(self) -> ssl.SSLContext | None:
        """What connections are accepted with, None without a certificate; raises TlsError."""
        if self.certificate_file is None:
            return None
        try:
            context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
            context.minimum_version = ssl.TLSVersion.TLSv1_2
            # Without a password given, OpenSSL would ask for one on the terminal and wait.
            context.load_cert_chain(self.certificate_file, self.key_file, password="")
        except (OSError, ValueError) as error:
            raise TlsError(
                f"{self.certificate_file}, {self.key_file}: cannot be used for TLS ({error}); give readable PEM files "
                "of a certificate and its own key, without a password"
            ) from None
        return context
