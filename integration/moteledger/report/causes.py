"""What the likely causes of a shortfall are called in the report."""

_CAUSES = {
    "gaps": "Air slips round the filter",
    "low_airflow": "The blower moves less air than surveyed",
    "leaky_return": "The return duct draws in outside air",
    "spent_charge": "The charge of the filter media is spent",
    "sensor": "The sensors do not read alike",
}


def cause_named(code: str) -> str:
    """A cause in words; one that has no words here is told by its code."""
    return _CAUSES.get(code, code.replace("_", " ").capitalize())
