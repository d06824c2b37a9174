"""Make the takes of the demo kit: seven synthesised bounces, out of tune on purpose, the same bytes every time.

    python input_demo/make_takes.py [FOLDER]

writes FOLDER/NAME.flac (24-bit stereo; FOLDER is takes/ beside this script unless given) and prints what was made.
"""

import hashlib
import sys
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soundfile
import synth
from numpy.typing import NDArray
from studio import bounce

__all__ = ["TAKES", "Take", "main", "make", "note_hz", "render"]


@dataclass(frozen=True)
class Take:
    """What one take is meant to be: a test may measure it against this.

    `note` is the root that the player had in mind (None: no pitch), `cents` how far off the take was recorded,
    `peak_db` its peak in dBFS, `lead_s`, `fade_s` and `after_s` the silence before it, its last fade and the silence
    behind it, `rate_hz` its sampling rate.
    """

    play: synth.Instrument
    note: str | None
    cents: float
    peak_db: float
    lead_s: float
    fade_s: float
    after_s: float = 0.2
    rate_hz: int = 44100

    @property
    def root_hz(self) -> float | None:
        """The frequency that the take really has, its mistuning included."""
        return note_hz(self.note) * 2 ** (self.cents / 1200) if self.note else None


TAKES = {
    "reed-pad": Take(synth.reed_pad, note="D3", cents=-17, peak_db=-4.0, lead_s=0.31, fade_s=0.8),
    "glasswort": Take(synth.glasswort, note="D5", cents=11, peak_db=-5.5, lead_s=0.24, fade_s=1.0),
    "halyard": Take(synth.halyard, note="D4", cents=23, peak_db=-3.5, lead_s=0.18, fade_s=0.5),
    "buoy": Take(synth.buoy, note="A4", cents=-8, peak_db=-4.5, lead_s=0.42, fade_s=1.0, rate_hz=48000),
    "driftwood": Take(synth.driftwood, note="C4", cents=31, peak_db=-3.0, lead_s=0.12, fade_s=0.4),
    "groundswell": Take(synth.groundswell, note="D2", cents=-26, peak_db=-6.0, lead_s=0.5, fade_s=0.6),
    "shingle": Take(synth.shingle, note=None, cents=0, peak_db=-4.0, lead_s=0.15, fade_s=0.2, rate_hz=48000),
}


def note_hz(note: str) -> float:
    """Give the frequency of a natural note such as D3, in equal temperament at A4 = 440 Hz (C4 is MIDI 60)."""
    above_c = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}[note[0]]
    return float(440 * 2 ** ((above_c - 9) / 12 + int(note[1:]) - 4))


def render(name: str) -> NDArray[np.int32]:
    """Play and record one take.

    Parameters
    ----------
    name : str
        A key of TAKES. The take's chance is seeded by it.

    Returns
    -------
    int32, (frames, 2): 24-bit values in the upper three bytes
    """
    take = TAKES[name]
    rng = np.random.default_rng(int.from_bytes(hashlib.sha256(name.encode()).digest()[:8], "big"))
    sound = take.play(take.root_hz or 440.0, take.rate_hz, rng)
    return bounce(
        sound, rng, take.rate_hz, peak_db=take.peak_db, lead_s=take.lead_s, fade_s=take.fade_s, after_s=take.after_s
    )


def make(folder: Path) -> list[str]:
    """Write every take into a folder and say, a line each, what it is."""
    folder.mkdir(parents=True, exist_ok=True)
    lines = [f"{'take':12} {'root':>4} {'cents':>5} {'Hz':>8} {'seconds':>8} {'peak dBFS':>9} {'kB':>6}"]
    for name, take in TAKES.items():
        sound, path = render(name), folder / f"{name}.flac"
        soundfile.write(path, sound, take.rate_hz, subtype="PCM_24", format="FLAC", compression_level=1.0)
        peak_db = 20 * np.log10(np.abs(sound.astype(np.float64)).max() / 2**31)
        hz = f"{take.root_hz:8.2f}" if take.root_hz else f"{'-':>8}"
        seconds, size = len(sound) / take.rate_hz, path.stat().st_size / 1000
        lines.append(
            f"{name:12} {take.note or '-':>4} {take.cents:+5.0f} {hz} {seconds:8.2f} {peak_db:9.2f} {size:6.0f}"
        )
    return lines


def main() -> None:
    """Make the takes where the first argument says."""
    default = Path(__file__).resolve().parent / "takes"
    print("\n".join(make(Path(sys.argv[1]) if len(sys.argv) > 1 else default)))


if __name__ == "__main__":
    main()
