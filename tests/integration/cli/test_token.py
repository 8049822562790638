"""`moteledger token`, and a service that is opened by the house file."""

import re
import shutil
import ssl
import subprocess
import urllib.error
import urllib.request
from pathlib import Path

import pytest

from moteledger.cli import main
from moteledger.cli.collecting import tokens_file
from moteledger.settings import Collecting


@pytest.fixture
def opened_house(tmp_path: Path, house_file: Path) -> Path:
    """The house file with a service that is listened for on every address of this machine."""
    path = tmp_path / "opened.toml"
    path.write_text(house_file.read_text(encoding="utf-8") + '\n[network]\nlisten = "0.0.0.0"\n', encoding="utf-8")
    return path


def status(address: str, token: str = "", context: ssl.SSLContext | None = None) -> int:
    headers = {"Authorization": f"Bearer {token}"} if token else {}
    try:
        with urllib.request.urlopen(
            urllib.request.Request(address, headers=headers), timeout=60, context=context
        ) as answer:
            return answer.status
    except urllib.error.HTTPError as error:
        with error:
            return error.code


def test_tokens_are_made_listed_and_revoked(run_all, tmp_path: Path) -> None:
    store = tmp_path / "house.db"
    done = run_all(
        {
            "none": ("token", "list", "--store", store),
            "new": (
                "token",
                "new",
                "--store",
                store,
                "--name",
                "hall tablet",
                "--scope",
                "view",
                "--scope",
                "automate",
            ),
            "link": (
                *("token", "new", "--store", store, "--name", "visit", "--scope", "contractor"),
                *("--lasts", "30d", "--link", "http://192.168.1.5:8467/"),
            ),
            "list": ("token", "list", "--store", store),
        }
    )
    assert {each.returncode for each in done.values()} == {0}
    assert done["none"].stdout == "There are no tokens.\n"
    text, told = done["new"].stdout.splitlines()
    assert re.fullmatch(r"mote_[0-9a-f]{8}_[A-Za-z0-9_-]{43}", text)
    assert told.startswith("hall tablet; automate, view; without end; never used.")
    link = done["link"].stdout.splitlines()[0]
    assert link.startswith("http://192.168.1.5:8467/enter#mote_")
    secret = text.split("_", 2)[2]
    assert secret not in done["list"].stdout
    assert "link for one browser" in done["list"].stdout and "good until" in done["list"].stdout
    token_id = text.split("_")[1]
    done = run_all(
        {"revoke": ("token", "revoke", token_id, "--store", store), "list": ("token", "list", "--store", store)}
    )
    assert done["revoke"].returncode == 0
    assert "revoked" in done["list"].stdout


@pytest.mark.parametrize("name", ["Tern Cottage", "tern_cottage", "-tern", "../tern", "ternhütte", "t" * 61])
def test_a_houses_token_at_a_collector_bears_a_name_that_a_house_can_have(name: str, tmp_path: Path, capsys) -> None:
    collector = tokens_file(Collecting(name="Saltmere Air", folder=tmp_path)).name

    def made(store: str, scope: str, name: str) -> int:
        given = ["token", "new", "--store", str(tmp_path / store), f"--name={name}", "--scope", scope]
        return main([*given, "--scope", "view"])

    assert made(collector, "contribute", name) == 1
    told = capsys.readouterr()
    assert told.out == "" and told.err.count("\n") == 1
    assert name[:50] in told.err and "a-z, 0-9 and -, at most 60, such as tern-cottage" in told.err
    assert not (tmp_path / collector).exists()
    # Whoever only reads, and who sends to the service of one house, is called as one likes.
    assert made(collector, "view", name[:60]) == 0
    assert made("house.sqlite", "contribute", name[:60]) == 0
    assert made(collector, "contribute", " tern-cottage ") == 0


def test_what_cannot_be_made_or_found_is_told_in_one_line(run_all, tmp_path: Path) -> None:
    store = tmp_path / "house.db"
    done = run_all(
        {
            "endless": ("token", "new", "--store", store, "--name", "visit", "--scope", "contractor"),
            "nameless": ("token", "new", "--store", store, "--name", " ", "--scope", "view"),
            "unknown": ("token", "revoke", "00000000", "--store", store),
            "scope": ("token", "new", "--store", store, "--name", "x", "--scope", "root"),
            "span": ("token", "new", "--store", store, "--name", "x", "--scope", "view", "--lasts", "soon"),
        }
    )
    assert {name: each.returncode for name, each in done.items()} == {
        "endless": 1,
        "nameless": 1,
        "unknown": 1,
        "scope": 2,
        "span": 2,
    }
    assert "a contractor's token must end" in done["endless"].stderr
    assert "there is no token '00000000'" in done["unknown"].stderr
    for name in ("endless", "nameless", "unknown"):
        assert done[name].stderr.count("\n") == 1 and done[name].stdout == ""


def test_an_opened_service_does_not_start_without_a_token_and_then_asks_for_it(
    run_all, start_command, opened_house: Path, tmp_path: Path
) -> None:
    store = tmp_path / "house.db"
    served = ("serve", "--house", opened_house, "--store", store, "--port", "0")
    refused = run_all({"serve": served})["serve"]
    assert (refused.returncode, refused.stdout) == (1, "")
    assert "moteledger token new --store" in refused.stderr
    new = ("token", "new", "--store", store, "--name", "tablet", "--scope", "view")
    token = run_all({"new": new})["new"].stdout.splitlines()[0]
    process = start_command(*served)
    try:
        port = re.search(r"http://0\.0\.0\.0:(\d+)/", process.stdout.readline())[1]
        address = f"http://127.0.0.1:{port}/v1/answer/fan"
        assert status(address) == 401
        assert status(address, token) == 200
        # Revoked beside the running service, it is worthless at the next request.
        run_all({"revoke": ("token", "revoke", token.split("_")[1], "--store", store)})
        assert status(address, token) == 401
    finally:
        process.terminate()
        _, err = process.communicate(timeout=60)
    assert "unencrypted" in err
    assert token.split("_", 2)[2] not in err


@pytest.mark.skipif(shutil.which("openssl") is None, reason="NOT TESTED: TLS, openssl is not installed")
def test_with_a_certificate_it_speaks_tls_and_nothing_else(start_command, house_file: Path, tmp_path: Path) -> None:
    asked = "req -x509 -newkey ec -pkeyopt ec_paramgen_curve:P-256 -nodes -days 2 -keyout key.pem -out cert.pem"
    named = "-subj /CN=localhost -addext subjectAltName=DNS:localhost"
    command = ["openssl", *asked.split(), *named.split()]
    subprocess.run(command, cwd=tmp_path, check=True, capture_output=True, timeout=60)
    house = tmp_path / "private.toml"
    network = '\n[network]\ncertificate_file = "cert.pem"\nkey_file = "key.pem"\n'
    house.write_text(house_file.read_text(encoding="utf-8") + network, encoding="utf-8")
    process = start_command("serve", "--house", house, "--store", tmp_path / "house.db", "--port", "0")
    try:
        port = re.search(r"https://127\.0\.0\.1:(\d+)/", process.stdout.readline())[1]
        trusting = ssl.create_default_context(cafile=str(tmp_path / "cert.pem"))
        assert status(f"https://localhost:{port}/healthz", context=trusting) == 200
        with pytest.raises(OSError):
            status(f"http://localhost:{port}/healthz")
    finally:
        process.terminate()
        process.communicate(timeout=60)
