"""Tells others unasked: the broker of the house, and the addresses that its file lists."""

from .twin import Twin
from .webhooks import Sender

__all__ = ["Sender", "Twin"]
