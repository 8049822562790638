"""Asking the service of a house on this machine: over TLS and with a token where its house file says so.

Bounded on every side: only loopback addresses, no redirect, no proxy, a time and a size for each answer.
"""

import argparse
import os
import ssl
from http.client import HTTPException
from ipaddress import ip_address
from pathlib import Path
from typing import Any
from urllib.error import HTTPError, URLError
from urllib.parse import urlsplit
from urllib.request import HTTPRedirectHandler, HTTPSHandler, OpenerDirector, ProxyHandler, build_opener

from ..settings import Network, TlsError
from ..settings.secret import Secret, SecretError

TOKEN_VARIABLE = "MOTELEDGER_TOKEN"  # noqa: S105  a name, no secret

_ANSWER_WITHIN_S = 5.0
_END_OF_CERTIFICATE = "-----END CERTIFICATE-----"
_NO_SERVICE = "check that the address is that of a house's service"
_FIXES = {
    401: f"it takes a token: set {TOKEN_VARIABLE}, or name a file that holds one with --token-file",
    403: "the token does not open this; one with the scope view does",
}


class AskingError(Exception):
    """The service cannot be asked; the message says where, why and what to do."""


class _NoRedirect(HTTPRedirectHandler):
    """A redirect could lead off this machine."""

    def redirect_request(self, *_: Any) -> None:
        """Follow none."""


def loopback_address(text: str) -> str:
    """The base address of a service on this machine, as an argument of the command line.

    Raises ArgumentTypeError for any other: nothing of a house is asked for anywhere else.
    """
    try:
        parts = urlsplit(text)
        host = parts.hostname or ""
        port = "" if parts.port is None else f":{parts.port}"
        here = parts.scheme in ("http", "https") and (host == "localhost" or ip_address(host).is_loopback)
    except ValueError:
        here = False
    if not here or parts.username is not None or parts.path.strip("/") or parts.query or parts.fragment:
        raise argparse.ArgumentTypeError(
            f"{text[:100]!r} is not a service on this machine; give its loopback address, such as http://127.0.0.1:8467"
        )
    return f"{parts.scheme}://[{host}]{port}" if ":" in host else f"{parts.scheme}://{host}{port}"


def add_token_option(parser: argparse.ArgumentParser) -> None:
    """Register --token-file."""
    parser.add_argument(
        "--token-file",
        type=Path,
        metavar="FILE",
        help=f"with --live URL: the file that holds the service's token (else the variable {TOKEN_VARIABLE})",
    )


class AskedService:
    """The service at a loopback address, asked as its house file has it: its own certificate, a token if there is one.

    Raises AskingError where the token cannot be had, TlsError where the certificate cannot.
    """

    def __init__(self, address: str, network: Network, token_file: Path | None = None) -> None:
        if network.certificate_file is not None and address.startswith("http:"):
            raise AskingError(f"{address}: this service speaks TLS by its house file; write https://")
        self.address = address
        self._opener = _opener(network)
        token = _token(token_file)
        self._opener.addheaders = [("Authorization", f"Bearer {token}")] if token else []

    def get(self, path: str, largest: int) -> bytes:
        """The body of a good answer; raises AskingError for any other and for one larger than `largest` bytes."""
        shown = path.partition("?")[0]
        try:
            # Only to a loopback address, by loopback_address.
            with self._opener.open(f"{self.address}{path}", timeout=_ANSWER_WITHIN_S) as answer:
                body: bytes = answer.read(largest + 1)
        except HTTPError as error:
            with error:
                fix = _FIXES.get(error.code, _NO_SERVICE)
                raise AskingError(f"{self.address}: answers {error.code} to {shown}; {fix}") from None
        except (URLError, OSError, HTTPException) as error:
            why = getattr(error, "reason", error)
            told = getattr(why, "verify_message", None) or getattr(why, "strerror", None) or str(why)
            raise AskingError(
                f"{self.address}: no answer ({told or type(error).__name__}); start the service or correct the port"
            ) from None
        if len(body) > largest:
            raise AskingError(f"{self.address}: more than {largest} bytes to {shown}; {_NO_SERVICE}")
        return body

    def strange(self, path: str) -> AskingError:
        """What to raise for an answer that is none of such a service."""
        return AskingError(f"{self.address}: none of its own answers to {path}; {_NO_SERVICE}")


def _token(file: Path | None) -> str:
    try:
        if file is not None:
            token = Secret(file=file).read()
        elif os.environ.get(TOKEN_VARIABLE):
            token = Secret(environment=TOKEN_VARIABLE).read()
        else:
            return ""
    except SecretError as error:
        raise AskingError(str(error)) from None
    if not token.isascii():
        raise AskingError(f"{file or TOKEN_VARIABLE} holds no token: those are of ASCII letters; correct it")
    return token


def _opener(network: Network) -> OpenerDirector:
    handlers = [ProxyHandler({}), _NoRedirect()]
    if network.certificate_file is not None:
        return build_opener(*handlers, HTTPSHandler(context=_trusting(network.certificate_file)))
    return build_opener(*handlers)


def _trusting(certificate_file: Path) -> ssl.SSLContext:
    """Trust for the service's own certificate alone; since it is that very one, the name in it does not matter."""
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    context.check_hostname = False
    context.verify_flags |= ssl.VERIFY_X509_PARTIAL_CHAIN
    try:
        # The first one in the file is the service's; what follows are authorities, who sign for others too.
        own, end, _ = certificate_file.read_text(encoding="ascii").partition(_END_OF_CERTIFICATE)
        context.load_verify_locations(cadata=own + end)
    except (OSError, ValueError) as error:
        raise TlsError(f"{certificate_file}: cannot be used for TLS ({error}); give a readable PEM file") from None
    return context
