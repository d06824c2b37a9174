"""The kit sheet: one page that shows a build as a score, plays it, and says what to set on the device."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from functools import cache
from importlib.resources import files as resources
from typing import TYPE_CHECKING, Any

from kitfold.files import Contents, Store
from kitfold.render.jobs import default_jobs
from kitfold.sheet.chart import chart_of, masking_map
from kitfold.sheet.coded import coded
from kitfold.sheet.embed import BESIDE_BYTES, Clip, ahead, clips_of, data_of, heard_of
from kitfold.sheet.notes import any_unreached
from kitfold.sheet.rows import FIGURE, Rows
from kitfold.sheet.scales import BAND_TICKS
from kitfold.sheet.score import Score, score_of
from kitfold.sheet.sketch import read_sketch
from kitfold.sheet.take import cues_of
from kitfold.sheet.tones import with_tones
from kitfold.sheet.words import check_lines, device_words, loss_words, memory_words

if TYPE_CHECKING:
    from jinja2 import Template

__all__ = ["page_template", "sheet_files", "sheet_page", "sheet_parts"]

STYLES = ("sheet.css", "parts.css", "screen.css", "print.css")
SCRIPTS = (
    "sound.js", "store.js", "player.js", "status.js", "song.js", "take.js", "keys.js", "notes.js", "tables.js",
    "rows.js", "page.js",
)  # fmt: skip
_TEMPLATES = resources("kitfold.sheet") / "templates"
_PIECES = 500  # so many of the template's pieces are written at once: some kilobytes


def sheet_page(manifest: Mapping[str, Any], files: Mapping[str, bytes]) -> str:
    """Return the page of a build, as text.

    Parameters
    ----------
    manifest : mapping as in manifest.json
    files : mapping, name relative to the build to bytes: slots, masters, listen; what is missing is left out
    """
    return sheet_files(manifest, files)["sheet.html"].decode()


def sheet_files(
    manifest: Mapping[str, Any],
    files: Mapping[str, bytes],
    beside_bytes: int = BESIDE_BYTES,
    jobs: int | None = None,
    store: Store | None = None,
) -> dict[str, bytes]:
    """Return the page, and its sounds beside it where they would make it too heavy: see `sheet_parts`."""
    made = sheet_parts(manifest, files, beside_bytes, jobs, store)
    return {name: contents if isinstance(contents, bytes) else b"".join(contents) for name, contents in made}


def sheet_parts(
    manifest: Mapping[str, Any],
    files: Mapping[str, bytes],
    beside_bytes: int = BESIDE_BYTES,
    jobs: int | None = None,
    store: Store | None = None,
) -> Iterator[tuple[str, Contents]]:
    """Give the page's files, name and contents, one by one: its sounds, where they would make it too heavy, and itself.

    No more is in memory at once than some sounds more than `beside_bytes` and some rows, however many there are: the
    page comes in parts, which must be taken before the iterator goes on.

    Parameters
    ----------
    manifest, files : as for `sheet_page`
    beside_bytes : int, the sounds go beside the page when their text is longer than this
    jobs : int or None, threads; None: as many as there are processors. The page is the same on any number of them
    store : Store or None, where sounds and figures are kept from build to build; the page is the same with and without
    """
    manifest = with_tones(manifest)
    score = score_of(manifest, read_sketch(manifest, files))
    rows = Rows(manifest, files, score, store)
    with ThreadPoolExecutor(jobs or default_jobs()) as pool:
        making, waiting = clips_of(manifest, files, pool, store), heard_of(manifest, files, pool, store)
        drawn = ahead(pool, rows.row, manifest["slots"])
        template = page_template()
        held: list[Clip] = []
        lossless, text_bytes = set(), 0
        for clip in making:
            held.append(clip)
            text_bytes += len(clip.text)
            if clip.lossless:
                lossless.add(clip.key)
            if text_bytes > beside_bytes:
                yield from ((f"sheet/{one.key}.js", _script_of(one)) for one in held)
                held.clear()
        data = data_of(manifest, files, waiting(lossless), score, text_bytes > beside_bytes)
        said = {**_said(manifest, files, score), "facts": list(map(rows.facts, manifest["slots"])), "rows": drawn}
        yield "sheet.html", _page(template, said, held, data)


@cache
def page_template() -> Template:
    """Return the template of the page; it takes a tenth of a second to read, once a process."""
    from jinja2 import Environment, PackageLoader, StrictUndefined

    engine = Environment(
        loader=PackageLoader("kitfold.sheet", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    engine.globals["coded"] = coded
    for name in engine.list_templates(["j2"]):
        engine.get_template(name)  # so that none has to be read in the end
    return engine.get_template("sheet.html.j2")


def _page(
    template: Template, said: Mapping[str, Any], clips: Sequence[Clip], data: Mapping[str, Any]
) -> Iterator[bytes]:
    """Give the page, some of it at a time."""
    from markupsafe import Markup

    style, script = _style(said["score"]), "".join(_text(name) for name in SCRIPTS)
    pieces = template.stream(
        **said,
        data=data,
        clips=clips,
        policy=_policy(style, script, bool(data["beside"])),
        style=Markup(style),  # noqa: S704  (our own file, hashed in the policy)
        script=Markup(script),  # noqa: S704
    )
    pieces.enable_buffering(_PIECES)
    return (piece.encode() for piece in pieces)


def _style(score: Score) -> str:
    """Return the page's style; how wide a long song is drawn stands in it, for the policy lets no element say it."""
    wide = f":root {{ --song: {score.wide_px}px; }}\n" if score.long else ""
    return "".join(_text(name) for name in STYLES) + wide


def _said(manifest: Mapping[str, Any], files: Mapping[str, bytes], score: Score) -> dict[str, Any]:
    lines = check_lines(manifest["checks"])
    return {
        "kit": manifest["kit"],
        "device": manifest["device"],
        "device_words": device_words(manifest["device"]),
        "memory": memory_words(manifest["budget"], manifest["device"]),
        "loss": loss_words(manifest),
        "budget": manifest["budget"],
        "score": score,
        "charts": chart_of(manifest, score),
        "poor": [line for line in lines if line["result"] != "pass"],
        "good": [line for line in lines if line["result"] == "pass"],
        "masking": masking_map(manifest["checks"]),
        "cues": cues_of(files, manifest["slots"]),
        "full": manifest["budget"]["used"] >= manifest["budget"]["limit"],
        "band_ticks": BAND_TICKS,
        "made_with": manifest["made_with"],
        "figure": FIGURE,
        "any_unreached": any_unreached(manifest["slots"], score),
    }


def _policy(style: str, script: str, beside: bool) -> str:
    """Return a content security policy that lets the page's own style and script run and nothing else."""
    near = " 'self' file:" if beside else ""  # the sounds beside the page are scripts: file: pages may not fetch
    return (
        f"default-src 'none'; script-src '{_hash(script)}'{near}; style-src '{_hash(style)}'; "
        "img-src data:; media-src data: blob:; base-uri 'none'; form-action 'none'"
    )


def _hash(text: str) -> str:
    return "sha256-" + base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()


def _script_of(clip: Clip) -> bytes:
    return f'kitSheet.arrived("{clip.key}","{clip.text}");\n'.encode()


def _text(name: str) -> str:
    return (_TEMPLATES / name).read_text(encoding="utf-8")
