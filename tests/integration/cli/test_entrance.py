"""The door, opened with a real browser: a link is clicked once, and its token is nowhere afterwards."""

import re
from pathlib import Path

from selenium.webdriver.common.by import By
from selenium.webdriver.support.wait import WebDriverWait


def test_a_link_opens_the_pages_it_is_for_and_leaves_no_token_in_the_address(
    browser, run_all, start_command, house_file: Path, tmp_path: Path
) -> None:
    house, store = tmp_path / "closed.toml", tmp_path / "house.db"
    house.write_text(house_file.read_text(encoding="utf-8") + "\n[network]\ntokens_required = true\n", encoding="utf-8")
    new = ("token", "new", "--store", store, "--name", "tablet", "--scope", "view", "--link", "http://localhost:1")
    link = run_all({"new": new})["new"].stdout.splitlines()[0]
    process = start_command("serve", "--house", house, "--store", store, "--port", "0")
    try:
        address = re.search(r"http://127\.0\.0\.1:\d+", process.stdout.readline())[0]
        token = link.partition("#")[2]
        wait = WebDriverWait(browser, 60)
        # A stranger is shown the door, and a wrong token is told there.
        browser.get(f"{address}/")
        assert browser.current_url == f"{address}/enter"
        browser.find_element(By.ID, "token").send_keys("mote_00000000_wrong")
        browser.find_element(By.CSS_SELECTOR, "button").click()
        wait.until(lambda page: "is not known" in page.find_element(By.ID, "told").text)
        browser.get("about:blank")
        browser.get(f"{address}/enter#{token}")
        wait.until(lambda page: page.current_url == f"{address}/")
        assert "Rook House" in browser.title
        assert browser.execute_script("return document.cookie") == ""
        cookie = browser.get_cookie("moteledger")
        assert cookie["httpOnly"] and cookie["sameSite"] == "Strict"
        assert token not in cookie["value"]
        browser.back()
        assert token not in browser.current_url
        # Another browser that finds the link is too late.
        browser.delete_all_cookies()
        browser.get("about:blank")
        browser.get(f"{address}/enter#{token}")
        wait.until(lambda page: "link that was used" in page.find_element(By.ID, "told").text)
        assert browser.current_url == f"{address}/enter"
    finally:
        browser.delete_all_cookies()
        browser.get("about:blank")
        # The refusals above stand in the console; they are not for the tests that come after.
        browser.get_log("browser")
        process.terminate()
        _, err = process.communicate(timeout=60)
    assert token.split("_", 2)[2] not in err
