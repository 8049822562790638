"""Tokens: who may ask for what."""

from enum import StrEnum


class Scope(StrEnum):
    """What a token opens; which routes that is stands in the service's table of scopes."""

    VIEW = "view"
    CONTRIBUTE = "contribute"
    AUTOMATE = "automate"
    CONTRACTOR = "contractor"
    ADMIN = "admin"
