"""`serve --collect`: refused where nobody could ask, and told by `check --live` from the house's side."""

from collections.abc import Callable
from pathlib import Path

HOUSE = """
name = "Crake House"
[house]
floor_area = "100 m2"
[collector]
address = "http://127.0.0.1:9"
token = { file = "token" }
"""


def test_a_collector_nobody_could_ask_two_services_in_one_and_an_office_that_is_away_are_told(
    run_all: Callable, tmp_path: Path
) -> None:
    office, house = tmp_path / "office.toml", tmp_path / "house.toml"
    office.write_text('name = "Saltmere Air"', encoding="utf-8")
    house.write_text(HOUSE, encoding="utf-8")
    (tmp_path / "token").write_text("mote_a_b", encoding="utf-8")
    told = run_all(
        {
            "closed": ("serve", "--collect", office, "--port", "0"),
            "both": ("serve", "--collect", office, "--house", house),
            "half": ("serve", "--house", house),
            "none": ("serve",),
            "away": ("check", "--house", house, "--live", "--for", "60"),
        }
    )
    assert told["closed"].returncode == 1
    assert f"moteledger token new --store {tmp_path / 'clients' / 'collector.sqlite'}" in told["closed"].stderr
    for name in ("both", "half", "none"):
        assert (told[name].returncode, "--collect" in told[name].stderr) == (2, True), name
    assert told["away"].returncode == 1
    assert "collector (collector, http://127.0.0.1:9): FAILING: cannot be reached" in told["away"].stdout
