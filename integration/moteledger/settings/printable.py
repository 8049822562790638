"""Text of others as it may be shown: what cannot be printed could steer a terminal or hide what stands beside it."""


def printable(text: str, instead: str = " ") -> str:
    r"""The text with every mark that cannot be printed replaced, a line's end among them.

    >>> printable("Wren\x1b[2J House", "?")
    'Wren?[2J House'
    """
    return "".join(mark if mark.isprintable() else instead for mark in text)
