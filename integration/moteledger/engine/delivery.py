"""Expected against delivered clean air, and the verdict."""

from motemodel.estimate import Estimate, Identification, Unknown

from .assessment import Delivery, NotKnown, Verdict
from .figures import figure, product
from .survey import Survey

_ASKED_SHARE = 0.85


def delivery(identification: Identification, expected: Survey) -> Delivery:
    """Compare what was delivered with what the survey leads one to expect.

    `delivers`: at least 85 % of it, told with confidence; `short`: less, told with confidence; else `cannot_tell`.
    """
    delivered, due = identification.clean_air_delivered_m3h, expected.clean_air_delivered_m3h
    for answer in (delivered, due):
        if isinstance(answer, Unknown):
            return Delivery(
                verdict=Verdict.CANNOT_TELL, reason=str(answer), share_of_expected=NotKnown(reason=str(answer))
            )
    assert isinstance(delivered, Estimate)
    assert isinstance(due, Estimate)
    share = product(delivered, Estimate(1.0 / due.value, 1.0 / due.high, 1.0 / due.low))
    return Delivery(verdict=_verdict(share), reason=_reason(share), share_of_expected=figure(share, "1"))


def _verdict(share: Estimate) -> Verdict:
    if share.low >= _ASKED_SHARE:
        return Verdict.DELIVERS
    if share.high < _ASKED_SHARE:
        return Verdict.SHORT
    return Verdict.CANNOT_TELL


def _reason(share: Estimate) -> str:
    told = f"{share.value:.0%} of what the survey leads one to expect, between {share.low:.0%} and {share.high:.0%}"
    match _verdict(share):
        case Verdict.DELIVERS:
            return f"The system delivers {told}."
        case Verdict.SHORT:
            return f"The system delivers only {told}."
        case _:
            return (
                f"The system seems to deliver {told}; that reaches both sides of the {_ASKED_SHARE:.0%} asked. "
                "More days, or a measured airflow, would narrow it."
            )
