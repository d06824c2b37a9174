"""Draw a build as a strip of its memory: each slot's waveform as wide as its share. Writes the README's picture.

Run it as `python docs/draw_memory.py build/saltmarsh-mono8-22s docs/saltmarsh.svg`.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any

import numpy as np
import soundfile

WIDTH, STRIP, TOP, LEFT = 1040, 130, 34, 20
INKS = ("#2f6f73", "#9a6a2f")


def main(folder: Path, picture: Path) -> None:
    """Read a build's manifest and slots, write the picture."""
    manifest = json.loads((folder / "manifest.json").read_text(encoding="utf-8"))
    limit = manifest["budget"]["limit"]
    scale = (WIDTH - 2 * LEFT) / limit
    shapes, x = [], float(LEFT)
    for place, slot in enumerate(manifest["slots"]):
        wide = slot["memory"] * scale
        shapes.append(_slot(folder, slot, x, wide, INKS[place % 2]))
        x += wide
    picture.write_text(_page(manifest, shapes), encoding="utf-8")


def _slot(folder: Path, slot: dict[str, Any], x: float, wide: float, ink: str) -> str:
    samples, _ = soundfile.read(folder / slot["file"], always_2d=True)
    columns = np.array_split(np.abs(samples).max(axis=1), max(1, int(wide)))
    heights = [float(column.max(initial=0.0)) * STRIP / 2 for column in columns]
    middle = TOP + STRIP / 2
    top = " ".join(f"{x + i * wide / len(heights):.1f},{middle - h:.1f}" for i, h in enumerate(heights))
    low = " ".join(f"{x + i * wide / len(heights):.1f},{middle + h:.1f}" for i, h in reversed(list(enumerate(heights))))
    number = f'<text x="{x + wide / 2:.1f}" y="{TOP - 8}" text-anchor="middle">{slot["slot"]}</text>'
    edge = f'<line x1="{x:.1f}" x2="{x:.1f}" y1="{TOP}" y2="{TOP + STRIP}" stroke="#8a8a80" stroke-width="0.5"/>'
    return f'{edge}<polygon points="{top} {low}" fill="{ink}"/>{number}'


def _page(manifest: dict[str, Any], shapes: list[str]) -> str:
    slots = manifest["slots"]
    rows = -(-len(slots) // 4)
    height = TOP + STRIP + 30 + 22 * rows
    legend = "".join(
        f'<text x="{LEFT + 255 * (n % 4)}" y="{TOP + STRIP + 34 + 22 * (n // 4)}">{_legend(slot)}</text>'
        for n, slot in enumerate(slots)
    )
    title = f"{manifest['kit']['title']}: {len(slots)} slots in the memory of {manifest['device']['name']}"
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {height}" role="img" aria-label="{title}" '
        'font-family="Georgia, serif" font-size="13" fill="#2b2b26">'
        f'<rect width="{WIDTH}" height="{height}" fill="#faf8f1"/>{"".join(shapes)}{legend}</svg>\n'
    )


def _legend(slot: dict[str, Any]) -> str:
    note = slot["root"]["note"] or "no root"
    return f"{slot['slot']} {slot['sound']} · {note} · {slot['seconds']:.2f} s · {slot['play_db']:.1f} dB"


if __name__ == "__main__":
    main(Path(sys.argv[1]), Path(sys.argv[2]))
