"""The built sheets in a browser while a kit is watched: to this machine only, read only, from the build folders only.

The sheet itself is not touched: a page around it shows it and loads it again when the server says so.
"""

from __future__ import annotations

import json
import os
import re
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from threading import Condition, Thread
from urllib.parse import quote, unquote, urlsplit

from kitfold.errors import PlanError

__all__ = ["HOST", "Shown", "served"]

HOST = "127.0.0.1"
_NEXT = "/-next"
_WAIT_S = 20.0  # then the page asks again, so that no question stays open for ever
_TYPES = {".html": "text/html; charset=utf-8", ".json": "application/json", ".wav": "audio/wav", ".csv": "text/csv",
          ".mid": "audio/midi", ".txt": "text/plain; charset=utf-8"}  # fmt: skip
_PAGE = """<!doctype html>
<html lang="en"><meta charset="utf-8"><title>kitfold watch</title>
<style>html,body{{height:100%;margin:0}}body{{display:flex;flex-direction:column}}iframe{{flex:1;border:0}}
nav,pre{{font:14px sans-serif;margin:0;padding:.4em 1em;white-space:pre-wrap}}nav a{{margin-right:1em}}
pre{{background:#7a1010;color:#fff}}pre:empty{{display:none}}</style>
<nav>{links}</nav><pre id="said" role="alert"></pre>
<iframe id="sheet" name="sheet" title="kit sheet" src="{first}"></iframe>
<script>
const sheet = document.getElementById("sheet"), said = document.getElementById("said");
async function follow(seen) {{
  for (;;) {{
    try {{
      const now = await (await fetch("{next}?after=" + seen, {{cache: "no-store"}})).json();
      said.textContent = now.said;
      if (seen >= 0 && now.names !== names) location.assign("/");
      else if (seen >= 0 && now.builds !== builds) {{
        const top = sheet.contentWindow.scrollY;
        sheet.addEventListener("load", () => sheet.contentWindow.scrollTo(0, top), {{once: true}});
        sheet.contentWindow.location.reload();
      }}
      builds = now.builds;
      names = now.names;
      seen = now.count;
    }} catch {{
      said.textContent = "kitfold watch has ended";
      await new Promise(done => setTimeout(done, 1000));
    }}
  }}
}}
let builds = -1, names = "";
follow(-1);
</script></html>
"""


@dataclass
class Shown:
    """What the browser sees: which builds there are, how often they were built, and what went wrong last."""

    folders: tuple[Path, ...] = ()
    builds: int = 0
    count: int = 0
    said: str = ""
    changed: Condition = field(default_factory=Condition)

    def tell(self, folders: Sequence[Path] | None, said: str = "") -> None:
        """Show builds afresh, or, with None, leave them as they are; and what to say above them."""
        with self.changed:
            if folders is not None:
                self.folders, self.builds = tuple(folders), self.builds + 1
            self.said, self.count = said, self.count + 1
            self.changed.notify_all()

    def next(self, after: int) -> str:
        """Wait until there is something new after a count, for a while at most; return the state as JSON."""
        with self.changed:
            self.changed.wait_for(lambda: self.count > after, _WAIT_S)
            names = "/".join(one.name for one in self.folders)
            return json.dumps({"count": self.count, "builds": self.builds, "names": names, "said": self.said})

    def file(self, path: str) -> Path | None:
        """Return the file of a build that a path of the address means; None for whatever lies outside the builds."""
        name, *parts = path.removeprefix("/").split("/")
        folder = next((one for one in self.folders if one.name == name), None)
        parts = ["sheet.html"] if parts in ([], [""]) else parts
        if folder is None or any(part in ("", ".", "..") or set(part) & set("\\:\0") for part in parts):
            return None
        try:
            found = folder.joinpath(*parts).resolve()
            return found if found.is_relative_to(folder.resolve()) and found.is_file() else None
        except (OSError, ValueError):
            return None

    def page(self) -> str:
        """Return the page around the sheets."""
        names = [quote(one.name) for one in self.folders]
        links = "".join(f'<a href="/{name}/" target="sheet">{name}</a>' for name in names) if len(names) > 1 else ""
        first = f"/{names[0]}/" if names else "about:blank"
        return _PAGE.format(links=links, first=first, next=_NEXT)


@contextmanager
def served(shown: Shown, port: int) -> Iterator[str]:
    """Serve what is shown for the length of the block.

    Parameters
    ----------
    shown : Shown
    port : int, 0: a free one

    Yields
    ------
    str, the address

    Raises
    ------
    PlanError : where the port is taken or not allowed
    """
    try:
        server = _Server((HOST, port), type("Handler", (_Handler,), {"shown": shown}))
    except OSError as error:
        what = f"cannot be used: {error.strerror or error} (got {port})"
        raise PlanError(what, where="--port", hint="leave it out: a free one is taken") from None
    thread = Thread(target=server.serve_forever, kwargs={"poll_interval": 0.1}, daemon=True)
    thread.start()
    try:
        yield f"http://{HOST}:{server.server_address[1]}/"
    finally:
        server.shutdown()
        server.server_close()


class _Server(ThreadingHTTPServer):
    daemon_threads = True
    block_on_close = False  # a page that waits for the next build must not hold up the end
    allow_reuse_address = os.name != "nt"  # elsewhere it only forgives a port that was just given up


class _Handler(BaseHTTPRequestHandler):
    """Answers GET and HEAD; anything else is refused by the base class."""

    shown: Shown
    server_version, sys_version = "kitfold", ""

    def do_GET(self) -> None:
        address = urlsplit(self.path)
        path = unquote(address.path)
        if not self._from_here():
            self.send_error(403)
        elif path == "/":
            self._send(self.shown.page().encode(), _TYPES[".html"])
        elif path == _NEXT:
            after = re.fullmatch("after=([0-9]{1,9})", address.query)
            self._send(self.shown.next(int(after[1]) if after else -1).encode(), _TYPES[".json"])
        else:
            self._send_file(path)

    do_HEAD = do_GET  # noqa: N815  (the base class's name)

    def log_message(self, format: str, *args: object) -> None:  # noqa: A002  (the base class's name)
        """Say nothing: the terminal belongs to the builds."""

    def _from_here(self) -> bool:
        """Refuse a page elsewhere that has pointed its own name at this machine."""
        return self.headers.get("Host", "").rpartition(":")[0] in (HOST, "localhost")

    def _send_file(self, path: str) -> None:
        found = self.shown.file(path)
        try:
            data = found.read_bytes() if found else None
        except OSError:  # a build is just being swapped in
            data = None
        if found is None or data is None:
            self.send_error(404)
        else:
            self._send(data, _TYPES.get(found.suffix.lower(), "application/octet-stream"))

    def _send(self, data: bytes, kind: str) -> None:
        self.send_response(200)
        self.send_header("Content-Type", kind)
        self.send_header("Content-Length", str(len(data)))
        self.send_header("Cache-Control", "no-store")
        self.send_header("X-Content-Type-Options", "nosniff")
        self.end_headers()
        if self.command != "HEAD":
            with suppress(ConnectionError):  # the page was closed while it waited
                self.wfile.write(data)
