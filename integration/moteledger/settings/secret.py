"""Secrets never stand in the house file: it names the environment variable or the file that holds one."""

import os
from pathlib import Path
from typing import Annotated, Self

from pydantic import AfterValidator, Field, ValidationInfo, model_validator

from .table import Table

_LONGEST_SECRET = 8192


class SecretError(ValueError):
    """A secret cannot be had; the message names the variable or the file, never what it holds."""


def _beside_the_house_file(path: Path, info: ValidationInfo) -> Path:
    folder = (info.context or {}).get("folder", Path())
    return Path(folder) / path


FileName = Annotated[Path, AfterValidator(_beside_the_house_file)]
"""A file; a relative name is taken from the folder of the house file."""


class Secret(Table):
    """Where a secret is kept: `environment` names a variable, `file` a file that only the service should read."""

    environment: Annotated[str, Field(pattern=r"^[A-Za-z_][A-Za-z0-9_]*$")] | None = None
    file: FileName | None = None

    @model_validator(mode="after")
    def _one_place(self) -> Self:
        if (self.environment is None) == (self.file is None):
            raise ValueError('say where the secret is once: either environment = "NAME" or file = "PATH"')
        return self

    def read(self) -> str:
        """The secret, read now, so that a changed one is taken up; raises SecretError."""
        if self.environment is not None:
            text = os.environ.get(self.environment, "")
            if not text:
                raise SecretError(f"the environment variable {self.environment} is not set; set it before starting")
        else:
            assert self.file is not None
            try:
                with self.file.open(encoding="utf-8") as file:
                    text = file.read(_LONGEST_SECRET + 1).strip()
            except (OSError, UnicodeDecodeError) as error:
                why = error.strerror if isinstance(error, OSError) else "not UTF-8 text"
                raise SecretError(f"{self.file}: the secret cannot be read ({why}); check the file") from None
        if not text or len(text) > _LONGEST_SECRET or not text.isprintable():
            place = self.environment or self.file
            raise SecretError(f"{place} holds no secret: expected one line of printable text; correct it")
        return text
