"""Tells others unasked: the broker of the house."""

from .twin import Twin

__all__ = ["Twin"]
