"""OpenMetrics text, version 1.0.0 (RFC draft openmetrics-00; ABNF and rules of section 3)."""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

MEDIA_TYPE = "application/openmetrics-text; version=1.0.0; charset=utf-8"


@dataclass(frozen=True)
class Sample:
    """One number of a family, told apart from the others by its labels."""

    value: float
    labels: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True)
class Family:
    """Numbers of one meaning. A name ends in its `unit` where it has one; a counter's samples bear `_total` beside."""

    name: str
    kind: Literal["counter", "gauge"]
    help: str
    samples: tuple[Sample, ...]
    unit: str = ""


def exposition(families: Iterable[Family]) -> str:
    r"""The families as text.

    >>> print(exposition([Family("tea_cups", "gauge", "Cups in use.", (Sample(3, (("room", "den"),)),))]), end="")
    # TYPE tea_cups gauge
    # HELP tea_cups Cups in use.
    tea_cups{room="den"} 3.0
    # EOF
    """
    lines: list[str] = []
    for family in families:
        lines.append(f"# TYPE {family.name} {family.kind}")
        if family.unit:
            lines.append(f"# UNIT {family.name} {family.unit}")
        lines.append(f"# HELP {family.name} {_escaped(family.help)}")
        suffix = "_total" if family.kind == "counter" else ""
        for sample in family.samples:
            labels = ",".join(f'{name}="{_escaped(value)}"' for name, value in sample.labels)
            lines.append(f"{family.name}{suffix}{f'{{{labels}}}' if labels else ''} {float(sample.value)!r}")
    return "\n".join([*lines, "# EOF"]) + "\n"


def _escaped(text: str) -> str:
    return text.replace("\\", "\\\\").replace("\n", "\\n").replace('"', '\\"')
