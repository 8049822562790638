"""The verdict on delivery, and what a shortfall most likely comes from, ranked by evidence."""

from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np

from .answer import Z_90, Answer, Estimate, Unknown

SHARE_NEEDED = 0.85
_Z_95 = 1.96


class Verdict(StrEnum):
    """Whether the assembly delivers what the survey leads one to expect."""

    DELIVERS = "delivers"
    SHORT = "short"
    CANNOT_TELL = "cannot_tell"


class CauseKind(StrEnum):
    """What makes an assembly fall short."""

    GAPS = "gaps around the filter"
    LOW_AIRFLOW = "low airflow"
    LEAKY_RETURN = "leaky ducts"
    SPENT_CHARGE = "spent filter charge"
    OVERLOADED = "overloaded filter"
    SENSOR = "sensor"


@dataclass(frozen=True)
class Evidence:
    """What else is known of the assembly; each left None where it is not.

    `airflow_m3h`, `design_airflow_m3h`: measured, and what the survey reckons with. `drop_pa`, `expected_drop_pa`: the
    filter's drop at the reference airflow, now and as it should be when clean; `final_drop_pa` the final resistance.
    `fan_extra_entry_per_h`: see `Identification`. `charged`: an electret filter; `conditioned_share`: its efficiency
    without charge over that with it; `used_days`: how long it has been in. `sensor_gain_ratio`: see `Identification`.
    `bypass`: the share of air that slips past the filter, by delivery and drop together (`bypass_share`).
    """

    airflow_m3h: Estimate | None = None
    design_airflow_m3h: float | None = None
    drop_pa: Estimate | None = None
    expected_drop_pa: float | None = None
    final_drop_pa: float | None = None
    fan_extra_entry_per_h: Answer | None = None
    charged: bool = False
    conditioned_share: float | None = None
    used_days: float | None = None
    sensor_gain_ratio: Answer | None = None
    bypass: Answer | None = None


@dataclass(frozen=True)
class Cause:
    """A likely cause with its weight (0..1, for the order only), what speaks for it and what to look at next."""

    kind: CauseKind
    weight: float
    evidence: str
    next_step: str


@dataclass(frozen=True)
class Delivery:
    """The verdict, its reason in words, delivered over expected, and the causes of a shortfall, likeliest first.

    `below_expected`: whether the delivery is below what is expected at all, told with the interval's confidence; a
    sharper question than `short`, which asks whether it is below 85 % of it. `bypass`: as the evidence has it.
    """

    verdict: Verdict
    reason: str
    share_of_expected: Answer
    below_expected: bool
    likely_causes: tuple[Cause, ...]
    bypass: Answer | None = None

    @property
    def bypass_told(self) -> bool:
        """Whether air is told to slip past the filter: by the drop too where that was measured, else by delivery alone.

        Delivery alone, with 95 % confidence, cannot tell a bypass from whatever else takes as much from it.
        """
        return slips_past(self.bypass) if isinstance(self.bypass, Estimate) else self.below_expected


def slips_past(bypass: Estimate) -> bool:
    """Whether air is told to slip past the filter: the 95 % interval of the share lies above nought.

    Wider than the interval that is shown, since with that one sound assembly in twenty would be accused.

    >>> slips_past(Estimate(0.12, 0.05, 0.19)), slips_past(Estimate(0.12, 0.01, 0.23))
    (True, False)
    """
    return bypass.low > 0.0 and bypass.value > _Z_95 / Z_90 * (bypass.value - bypass.low)


def judge(delivered: Answer, expected: Answer, evidence: Evidence | None = None) -> Delivery:
    """Compare clean air delivered with what is expected (both m3/h) and say which it is, if the data can tell.

    `delivers`: the whole 90 % interval of the share is at 85 % or more. `short`: the whole interval is below 85 %.
    A bypass that the evidence tells is said beside the verdict, which is of the clean air alone.
    """
    if isinstance(delivered, Unknown):
        return Delivery(Verdict.CANNOT_TELL, str(delivered), delivered, False, ())
    if isinstance(expected, Unknown):
        return Delivery(Verdict.CANNOT_TELL, str(expected), expected, False, ())
    if expected.value <= 0.0:
        raise ValueError(
            f"judge: expected delivery {expected.value:g} m3/h is not above zero; check filter and airflow"
        )
    share = quotient(delivered, expected)
    if share.low >= SHARE_NEEDED:
        verdict, says = Verdict.DELIVERS, f"at least the {_percent(SHARE_NEEDED)} that is asked"
    elif share.high < SHARE_NEEDED:
        verdict, says = Verdict.SHORT, f"less than the {_percent(SHARE_NEEDED)} that is asked"
    else:
        verdict, says = (
            Verdict.CANNOT_TELL,
            f"more or less than the {_percent(SHARE_NEEDED)} that is asked; {_narrowed(delivered, expected)}",
        )
    bypass = None if evidence is None else evidence.bypass
    told = f"{_percent(share.value)} of what the survey leads one to expect"
    reason = f"{told} ({_percent(share.low)} to {_percent(share.high)}): {says}{_slips(bypass)}"
    found = Delivery(verdict, reason, share, share.high < 1.0, (), bypass)
    if verdict is Verdict.SHORT or found.below_expected or found.bypass_told:
        return replace(found, likely_causes=likely_causes(share, evidence))
    return found


def _percent(share: float) -> str:
    return f"{100.0 * share:.0f} %"


def _slips(bypass: Answer | None) -> str:
    """What clean air and the filter's drop together tell of a bypass, to follow the verdict's reason."""
    if not isinstance(bypass, Estimate):
        return ""
    if slips_past(bypass):
        return f"; with the filter's drop, {bypass.low:.0%} to {bypass.high:.0%} of the air slips past the filter"
    return f"; with the filter's drop, no air is told to slip past it ({bypass.high:.0%} at most)"


def _narrowed(delivered: Estimate, expected: Estimate) -> str:
    """What would narrow the share: whichever of the two is known less well, relative to itself."""
    by_survey = expected.half_width / expected.value
    if by_survey > delivered.half_width / max(abs(delivered.value), 1e-9):
        return (
            f"most of the doubt (±{by_survey:.0%}) is in what the survey expects: measure the fan's airflow, or state "
            "the filter's efficiency by size"
        )
    return "more data will narrow it"


def quotient(above: Estimate, below: Estimate) -> Estimate:
    """The quotient of two independent estimates, relative half widths added in quadrature (JCGM 100:2008, 5.1.6)."""
    value = above.value / below.value
    half = float(np.hypot(above.half_width / below.value, value * below.half_width / below.value))
    return Estimate(value, value - half, value + half)


def likely_causes(share: Estimate, evidence: Evidence | None) -> tuple[Cause, ...]:
    """The causes that the evidence speaks for, likeliest first; gaps are what remains when nothing else explains it.

    Each cause is weighed by how much of the shortfall it accounts for: low airflow by the airflow's own shortfall,
    a spent charge by the efficiency lost with it, leaky ducts by the extra entry told with confidence.
    """
    known = evidence or Evidence()
    missing = max(1.0 - share.value, 1e-6)
    causes: list[Cause] = []
    explained = 0.0
    if known.airflow_m3h is not None and known.design_airflow_m3h:
        lack = 1.0 - known.airflow_m3h.value / known.design_airflow_m3h
        if known.airflow_m3h.high < known.design_airflow_m3h and lack > 0.05:
            explained = max(explained, lack)
            causes.append(
                Cause(
                    CauseKind.LOW_AIRFLOW,
                    min(lack / missing, 1.0),
                    f"the fan moves {known.airflow_m3h.value:.0f} m3/h, {lack:.0%} below design",
                    "measure total external static; look at coil, registers and blower speed",
                )
            )
    if known.drop_pa is not None and known.final_drop_pa and known.drop_pa.value > known.final_drop_pa:
        explained = max(explained, 0.5 * missing)
        causes.append(
            Cause(
                CauseKind.OVERLOADED,
                0.6,
                f"the filter's drop of {known.drop_pa.value:.0f} Pa is past its final {known.final_drop_pa:.0f} Pa",
                "change the filter",
            )
        )
    if isinstance(known.fan_extra_entry_per_h, Estimate) and known.fan_extra_entry_per_h.low > 0.0:
        causes.append(
            Cause(
                CauseKind.LEAKY_RETURN,
                min(0.3 + known.fan_extra_entry_per_h.value, 0.9),
                f"the running fan brings in {known.fan_extra_entry_per_h.value:.2f} 1/h more outdoor particles",
                "test the ducts for leakage; look at the return in attic, garage or crawl space",
            )
        )
    if known.charged and known.conditioned_share is not None and (known.used_days or 0.0) > 14.0:
        lost = 1.0 - known.conditioned_share
        fits = max(1.0 - abs(lost - missing) / max(lost, missing, 1e-6), 0.0)
        explained = max(explained, min(lost, missing))
        causes.append(
            Cause(
                CauseKind.SPENT_CHARGE,
                0.8 * fits,
                f"{known.used_days:.0f} days in use; without charge this filter keeps {known.conditioned_share:.0%}",
                "try a new filter of the same kind, or one whose rating does not rest on charge",
            )
        )
    if isinstance(known.sensor_gain_ratio, Estimate):
        ratio = known.sensor_gain_ratio
        if ratio.low > 1.3 or ratio.high < 0.7:
            causes.append(
                Cause(
                    CauseKind.SENSOR,
                    0.4,
                    f"the indoor sensor reads {ratio.value:.2f} times the outdoor one in the same air",
                    "hang both sensors side by side for a day",
                )
            )
    left = max(1.0 - explained / missing, 0.0)
    if (gaps := _gaps(known, left, missing)) is not None:
        causes.append(gaps)
    return tuple(sorted(causes, key=lambda cause: -cause.weight))


def _gaps(known: Evidence, left: float, missing: float) -> Cause | None:
    """Gaps round the filter: by the bypass where it is known, else by a low drop, or as what nothing else explains."""
    low_drop = (
        known.drop_pa is not None
        and known.expected_drop_pa is not None
        and known.drop_pa.high < 0.9 * known.expected_drop_pa
    )
    weight, seen = 0.7 * left, "what nothing else explains"
    if isinstance(known.bypass, Estimate):
        if slips_past(known.bypass):
            weight = 0.9
            seen = f"by clean air and drop, {known.bypass.low:.0%} to {known.bypass.high:.0%} of the air slips past"
        else:
            weight *= min(known.bypass.high / missing, 1.0)
            seen += f"; by clean air and drop, at most {known.bypass.high:.0%} of the air slips past"
    elif low_drop:
        weight, seen = 0.9, "the drop is below that of a clean filter that all the air passes"
    if weight < 0.14:
        return None
    return Cause(
        CauseKind.GAPS, weight, seen, "look for light and dust trails around the filter, in the rack, at the door"
    )
