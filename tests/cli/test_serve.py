"""The page of `watch`: from the build folders only, to this machine only, the sheet's bytes untouched."""

import http.client
import json
import os
import socket
import threading
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from kitfold.cli.serve import HOST, Shown, served
from kitfold.errors import PlanError

CHROMIUM = Path("/usr/bin/chromium")  # Debian's package `chromium`
SHEET = "<!doctype html><title>sheet</title><p id='which'>{}</p><div style='height:9000px'></div>"


@pytest.fixture
def shown(tmp_path):
    """A build, and a secret beside it."""
    folder = tmp_path / "out" / "reeds-mono8-22s"
    (folder / "slots").mkdir(parents=True)
    (folder / "sheet.html").write_text(SHEET.format("first"))
    (folder / "slots" / "01_pad.wav").write_bytes(b"RIFF")
    (tmp_path / "out" / "secret.html").write_text("secret")
    (tmp_path / "secret").write_text("secret")
    state = Shown()
    state.tell([folder])
    return state


@pytest.fixture
def port(shown):
    with served(shown, 0) as address:
        yield int(address.rstrip("/").rpartition(":")[2])


def asked(port, path, method="GET", **headers):
    """Ask for a path exactly as it stands; return (status, body, headers)."""
    connection = http.client.HTTPConnection(HOST, port, timeout=10)
    try:
        connection.putrequest(method, path, skip_host="Host" in headers)
        for name, value in headers.items():
            connection.putheader(name, value)
        connection.endheaders()
        answer = connection.getresponse()
        return answer.status, answer.read(), dict(answer.getheaders())
    finally:
        connection.close()


def test_the_sheet_is_given_byte_for_byte(shown, port):
    wanted = (shown.folders[0] / "sheet.html").read_bytes()
    for path in ("/reeds-mono8-22s", "/reeds-mono8-22s/", "/reeds-mono8-22s/sheet.html"):
        status, body, headers = asked(port, path)
        assert (status, body) == (200, wanted)
        assert headers["Content-Type"] == "text/html; charset=utf-8"
        assert headers["Cache-Control"] == "no-store"


def test_files_of_the_build_are_given_and_the_page_around_them(port):
    assert asked(port, "/reeds-mono8-22s/slots/01_pad.wav")[1] == b"RIFF"
    status, body, _ = asked(port, "/")
    assert status == 200
    assert b'src="/reeds-mono8-22s/"' in body


CLIMBING = [
    "/../secret", "/reeds-mono8-22s/../secret.html", "/reeds-mono8-22s/../../secret", "/secret.html",
    "/reeds-mono8-22s/%2e%2e/secret.html", "/reeds-mono8-22s/..%2fsecret.html",
    "/reeds-mono8-22s/slots/../../secret.html",
    "/reeds-mono8-22s/..%5csecret.html", "/reeds-mono8-22s//etc/passwd", "//etc/passwd", "/%2fetc%2fpasswd",
    "/reeds-mono8-22s/%00", "/reeds-mono8-22s/./sheet.html", "/reeds-mono8-22s/slots",
    "/.", "/..", "/reeds-mono8-22s/C:/x",
    "/reeds-mono8-22s/" + "a" * 5000, "/reeds-mono8-22s/%ff", "/nothing",
]  # fmt: skip


@pytest.mark.parametrize("path", CLIMBING)
def test_whatever_lies_outside_the_build_is_not_given(port, path):
    status, body, _ = asked(port, path)
    assert status == 404
    assert b"secret" not in body.replace(b"secret.html", b"")


@pytest.mark.skipif(os.name == "nt", reason="links need a right of their own on Windows")
def test_a_link_that_leads_out_of_the_build_is_not_followed(shown, port):
    (shown.folders[0] / "out.html").symlink_to(shown.folders[0].parent / "secret.html")
    assert asked(port, "/reeds-mono8-22s/out.html")[0] == 404


def test_it_listens_on_this_machine_only(shown, port):
    assert HOST == "127.0.0.1"
    for _, _, _, _, (host, *_) in socket.getaddrinfo(socket.gethostname(), None, socket.AF_INET):
        if not host.startswith("127."):
            with pytest.raises(OSError):  # noqa: PT011  (the system's own words differ)
                socket.create_connection((host, port), timeout=2).close()


@pytest.mark.parametrize("host", ["evil.example", "evil.example:80", "", "127.0.0.1.evil.example:80"])
def test_a_page_elsewhere_that_points_its_name_here_is_refused(port, host):
    """DNS rebinding: the browser then believes that the answer belongs to that page."""
    assert asked(port, "/", Host=host)[0] == 403
    assert asked(port, "/", Host=f"localhost:{port}")[0] == 200


@pytest.mark.parametrize("method", ["POST", "PUT", "DELETE", "OPTIONS", "TRACE"])
def test_nothing_but_reading_is_answered(port, method):
    assert asked(port, "/", method)[0] == 501


def test_head_has_no_body(port):
    status, body, headers = asked(port, "/", "HEAD")
    assert (status, body) == (200, b"")
    assert int(headers["Content-Length"]) > 0


def test_the_page_is_told_at_once_of_a_build_and_of_an_error(shown, port):
    before = json.loads(asked(port, "/-next?after=0")[1])
    timer = threading.Timer(0.2, shown.tell, (None, "kit.toml: broken"))
    timer.start()
    started = time.perf_counter()
    after = json.loads(asked(port, f"/-next?after={before['count']}")[1])
    assert 0.1 < time.perf_counter() - started < 5  # it waited for the news, and no longer
    assert after == {
        "count": before["count"] + 1, "builds": before["builds"], "names": shown.folders[0].name,
        "said": "kit.toml: broken",
    }  # fmt: skip
    shown.tell(shown.folders)
    assert json.loads(asked(port, f"/-next?after={after['count']}")[1])["builds"] == before["builds"] + 1
    assert asked(port, "/-next?after=x")[0] == 200


def test_the_end_does_not_wait_for_a_page_that_waits(shown):
    with served(shown, 0) as address:
        port = int(address.rstrip("/").rpartition(":")[2])
        waiting = socket.create_connection((HOST, port))
        waiting.sendall(f"GET /-next?after=99 HTTP/1.1\r\nHost: {HOST}:{port}\r\n\r\n".encode())
        time.sleep(0.1)
        started = time.perf_counter()
    assert time.perf_counter() - started < 5
    waiting.close()
    shown.tell(None)  # the thread that waited ends


def test_a_port_that_is_taken_is_an_error_that_says_so(shown, port):
    with pytest.raises(PlanError, match=rf"--port cannot be used: .*{port}.*\n  hint"), served(shown, port):
        pass


@pytest.fixture
def in_browser():
    """Give a function that does something with a page of Chromium, and waits for it."""
    sync = pytest.importorskip("playwright.sync_api")
    if not CHROMIUM.exists():
        if os.environ.get("CI"):
            pytest.fail(f"{CHROMIUM} is needed")
        pytest.skip(f"needs {CHROMIUM}")

    def work(do):
        with sync.sync_playwright() as driver:
            browser = driver.chromium.launch(executable_path=str(CHROMIUM), args=["--no-sandbox", "--disable-gpu"])
            do(browser.new_page())
            browser.close()

    def run(do):
        # in a thread of its own: another module's browser may have left its event loop in this one
        with ThreadPoolExecutor(1) as pool:
            pool.submit(work, do).result()

    return run


def test_in_a_browser_the_sheet_reloads_by_itself_where_it_was_scrolled_to(shown, in_browser):
    def watched(browser_page):
        browser_page.goto(address)
        sheet = browser_page.frame_locator("#sheet")
        sheet.locator("#which", has_text="first").wait_for()
        frame = browser_page.frame(name="sheet")
        frame.evaluate("scrollTo(0, 4000)")
        (shown.folders[0] / "sheet.html").write_text(SHEET.format("second"))
        shown.tell(shown.folders)
        sheet.locator("#which", has_text="second").wait_for()
        browser_page.wait_for_function("frames.sheet.scrollY === 4000")
        shown.tell(None, "kit.toml: broken")
        browser_page.locator("#said", has_text="broken").wait_for()
        shown.tell(shown.folders)
        browser_page.wait_for_function("document.getElementById('said').textContent === ''")
        assert address.startswith(browser_page.url.rstrip("/"))
        other = shown.folders[0].with_name("renamed-tiny")
        shown.folders[0].rename(other)
        (other / "sheet.html").write_text(SHEET.format("third"))
        shown.tell([other])
        sheet.locator("#which", has_text="third").wait_for()
        browser_page.goto("about:blank")

    with served(shown, 0) as address:
        in_browser(watched)
    shown.tell(None)
