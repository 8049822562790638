"""How a connection is made private: whom to trust, and with what to show who we are."""

import ssl
from typing import Self

from pydantic import model_validator

from .secret import FileName
from .table import Table


class TlsError(ValueError):
    """The files named for TLS cannot be used; the message names them."""


class Tls(Table):
    """Trust for TLS: the machine's own authorities, or only the private one in `ca_file` (PEM) if it is given.

    `certificate_file` and `key_file` (PEM) are our own, for a server that asks for them. The server's name and
    certificate are always checked.
    """

    ca_file: FileName | None = None
    certificate_file: FileName | None = None
    key_file: FileName | None = None

    @model_validator(mode="after")
    def _whole_pair(self) -> Self:
        if (self.certificate_file is None) != (self.key_file is None):
            raise ValueError("certificate_file and key_file belong together; give both or neither")
        return self

    def context(self) -> ssl.SSLContext:
        """What a client connection is made with; raises TlsError."""
        try:
            context = ssl.create_default_context(cafile=self.ca_file)
            context.minimum_version = ssl.TLSVersion.TLSv1_2
            if self.certificate_file is not None:
                context.load_cert_chain(self.certificate_file, self.key_file)
        except (OSError, ValueError) as error:
            files = ", ".join(str(file) for file in (self.ca_file, self.certificate_file, self.key_file) if file)
            raise TlsError(f"{files}: cannot be used for TLS ({error}); give readable PEM files") from None
        return context
