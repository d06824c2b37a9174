"""The demo kit's sheet, built by the command line and opened as its reader opens it."""

import hashlib
import json
import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

pytestmark = pytest.mark.slow

DEMO = Path(__file__).parents[2] / "input_demo" / "kit.toml"
AXE = Path(__file__).parent / "vendor" / "axe.min.js"
LARGEST_BYTES = 6_000_000  # what the demo's page may weigh


@pytest.fixture(scope="module")
def build(tmp_path_factory, demo_cache):
    out = tmp_path_factory.mktemp("demo")
    command = [sys.executable, "-m", "kitfold", "build", str(DEMO), "--out", str(out), "--quiet"]
    subprocess.run(command, check=True, env={**os.environ, "KITFOLD_CACHE": str(demo_cache)})
    return out / "saltmarsh-mono8-22s"


def test_the_demo_s_sheet_is_listed_light_and_quiet(build, browser):
    page_bytes = (build / "sheet.html").read_bytes()
    manifest = json.loads((build / "manifest.json").read_text("utf-8"))
    entry = next(one for one in manifest["files"] if one["file"] == "sheet.html")
    assert (entry["bytes"], entry["sha256"]) == (len(page_bytes), hashlib.sha256(page_bytes).hexdigest())
    assert len(page_bytes) < LARGEST_BYTES
    page = browser.new_page()
    said, asked = [], []
    page.on("console", lambda message: said.append(message.text))
    page.on("pageerror", lambda error: said.append(str(error)))
    page.on("request", lambda request: asked.append(request.url))
    page.goto((build / "sheet.html").as_uri())
    page.click("#play-song")
    page.click("#caution-go")
    for _ in range(250):
        if page.evaluate("document.querySelector('.chord.now') !== null"):
            break
        page.wait_for_timeout(20)
    assert "Dm</text>" in page.inner_html(".chord.now")  # the song's first chord, i in D minor
    assert said == []
    assert asked == [page.url]
    page.close()


def test_every_hold_of_the_demo_is_drawn_and_every_setting_is_in_the_chart(build, browser):
    manifest = json.loads((build / "manifest.json").read_text("utf-8"))
    page = browser.new_page()
    page.goto((build / "sheet.html").as_uri())
    for slot in manifest["slots"]:
        row = f"#row-{slot['slot']}"
        drawn = page.evaluate(
            f"[...document.querySelectorAll('{row} .hold')].map((one) => [one.dataset.needs, one.dataset.lasts])"
        )
        held = {(hold["needs_s"], hold["lasts_s"]) for hold in slot["holds"] if hold["needs_s"]}
        assert {(float(needs), float(lasts)) for needs, lasts in drawn} == held
        chart = page.evaluate(
            "(number) => [...document.querySelectorAll('#chart tbody tr')]"
            ".filter((row) => row.cells[0].textContent === number)"
            ".map((row) => [...row.querySelectorAll('b')].map((one) => Number(one.textContent.replace('−', '-'))))",
            str(slot["slot"]),
        )
        settings = {hold["setting"] for hold in slot["holds"]} or {slot["play_semitones"]}
        assert {setting for row in chart for setting in row} == settings
    page.close()


def test_the_demo_s_sheet_passes_axe_and_prints_on_two_pages(build, browser):
    page = browser.new_page()
    page.goto((build / "sheet.html").as_uri())
    page.evaluate(AXE.read_text("utf-8"))
    found = page.evaluate("axe.run()")
    assert [(one["id"], one["nodes"][0]["html"][:120]) for one in found["violations"]] == []
    assert len(re.findall(rb"/Type\s*/Page\b", page.pdf(prefer_css_page_size=True))) == 2
    page.close()
