"""Tells others unasked: the broker of the house, and the addresses that its file lists."""

from .forwarding import Forwarder, look_at
from .twin import Twin
from .webhooks import Sender

__all__ = ["Forwarder", "Sender", "Twin", "look_at"]
