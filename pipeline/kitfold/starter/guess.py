"""What a sound is, guessed from its figures and the words of its file name: which recipe suits it, and why.

The limits are by measurement: on 54 instruments of a recorded sound font, played on two keys each, and on the demo
takes. A name that says what a sound is wins over figures, as long as the sound can do what the name says.
"""

from __future__ import annotations

from dataclasses import dataclass

from kitfold.measure.portrait import Portrait

__all__ = ["HELD_RECIPES", "Guess", "guess_recipe"]

HELD_RECIPES = ("stacked-pad", "pad", "shimmer")

_WORDS = {
    "shimmer": "shimmer shimmering sparkle sparkles glitter glassy twinkle",
    "pad": "pad pads string strings choir drone drones organ ambient atmo atmos bed wash warm texture",
    "pluck": "pluck plucks plk plucked guitar harp koto lute banjo zither pizz pizzicato sitar lyre piano keys stab",
    "bell": "bell bells chime chimes glock glockenspiel celesta gong bowl tubular",
    "mallet": "mallet mallets marimba vibes vibraphone xylo xylophone kalimba woodblock balafon",
    "hit": "hit hits kick bd snare sd hat hats hh clap perc tom toms rim shaker click noise cymbal crash ride drum",
    "raw": "riser rise rises rev reverse reversed sweep uplifter downer fx loop loops field foley voice speech",
}  # fmt: skip
_RECIPE_OF_WORD = {word: recipe for recipe, words in _WORDS.items() for word in words.split()}

_PAD_HELD_S = 1.5
_SWELL_HELD_S, _SWELL_ATTACK_S = 1.0, 0.08  # a softer attack makes a shorter sound a pad too
_SOFT_ATTACK_S = 0.03  # struck instruments take less, bowed and blown ones more
_ORGAN_SHARE = 0.75  # of its tail: with a hard attack, only what is held nearly to its end is no pluck
_LEAST_NAMED_PAD_S = 0.8
_RISING_PAD = 0.7  # of the tail: what takes longer holds no chord, whatever its name
_RISING = 0.45  # of the tail: a sound that takes longer to come within 6 dB of its loudest swells
_CARRIES_FIFTH_DB = -18.0  # quieter than that, `stack` adds its own (its gain of -8 dB, less 10)
_LOW_MIDI = 45  # A2: a fifth over a lower root sounds muddy (common practice)
_SHIMMER_MIDI, _SHIMMER_HZ = 72, 1500.0
_BELL_HARMONIC, _BELL_TAIL_S = 0.97, 2.5
_PURE, _PURE_TAIL_S, _PURE_MIDI = 0.85, 2.0, 60  # nearly a sine: long and high a bell, short a mallet
_DRUM_TAIL_S, _DRUM_HARMONIC = 1.3, 0.75
_LOW_DRUM_MIDI, _LOW_DRUM_HARMONIC = 50, 0.9
_KICK_MIDI, _KICK_TAIL_S = 40, 0.5  # lower than any string that dies away as fast
_NOISE_HARMONIC = 0.45  # noise has two fifths of its power on the multiples of anything


@dataclass(frozen=True)
class Guess:
    """A recipe that suits a sound.

    Parameters
    ----------
    recipe : str, the name of a recipe that ships
    why : str, half a sentence
    plays : ``"fixed"`` where it should never be moved although the recipe would; else None
    """

    recipe: str
    why: str
    plays: str | None = None


def guess_recipe(figures: Portrait, words: frozenset[str], midi: float | None) -> Guess:
    """Guess the recipe of a sound.

    Parameters
    ----------
    figures : Portrait
    words : words of the file name, small letters
    midi : float or None, the root that is relied on, a fractional MIDI number; None where there is none
    """
    named = _named(figures, words)
    if named in ("hit", "raw"):
        return Guess(named, "the file name says so")
    if _rises(figures, named):
        return Guess("raw", f"it swells for {figures.attack_s:.1f} of {figures.tail_s:.1f} s, like something reversed")
    if named in ("pluck", "bell", "mallet"):
        return Guess(named, "the file name says so", None if midi is not None else "fixed")
    if midi is None:
        return _unpitched(figures, named)
    if named in ("pad", "shimmer") or _holds(figures):
        return _pad(figures, midi, named)
    return _struck(figures, midi)


def _named(figures: Portrait, words: frozenset[str]) -> str | None:
    """Return what the file name says; nothing where two words disagree or the sound is too short to be held."""
    said = {_RECIPE_OF_WORD[word] for word in words if word in _RECIPE_OF_WORD}
    if said == {"pad", "shimmer"}:
        return "shimmer" if figures.held_s >= _LEAST_NAMED_PAD_S else None
    recipe = said.pop() if len(said) == 1 else None
    too_short = recipe in ("pad", "shimmer") and figures.held_s < _LEAST_NAMED_PAD_S
    return None if too_short else recipe


def _rises(figures: Portrait, named: str | None) -> bool:
    """Say whether it is loudest at its end; what is called a pad may take its time, but must hold after that."""
    share = {None: _RISING, "pad": _RISING_PAD, "shimmer": _RISING_PAD}.get(named, 1.0)
    return figures.attack_s > share * figures.tail_s and figures.tail_s > 0.3


def _holds(figures: Portrait) -> bool:
    soft = figures.attack_s >= _SOFT_ATTACK_S or figures.held_s >= _ORGAN_SHARE * figures.tail_s
    swell = figures.held_s >= _SWELL_HELD_S and figures.attack_s >= _SWELL_ATTACK_S
    return swell or (soft and figures.held_s >= _PAD_HELD_S)


def _unpitched(figures: Portrait, named: str | None) -> Guess:
    if named is not None or _holds(figures):
        return Guess("pad", f"it holds for {figures.held_s:.1f} s, but has no clear root", "fixed")
    return Guess("hit", "it has no clear root and dies away")


def _pad(figures: Portrait, midi: float, named: str | None) -> Guess:
    held = f"it holds for {figures.held_s:.1f} s"
    if named == "shimmer" or midi >= _SHIMMER_MIDI or figures.brightness_hz >= _SHIMMER_HZ:
        return Guess("shimmer", f"{held} and is bright (centre at {figures.brightness_hz:.0f} Hz)")
    if figures.fifth_db >= _CARRIES_FIFTH_DB:
        return Guess("pad", f"{held} and already carries its fifth ({figures.fifth_db:.0f} dB), so it is not stacked")
    if midi < _LOW_MIDI:
        return Guess("pad", f"{held} and is low: a fifth on top would sound muddy")
    return Guess("stacked-pad", f"{held}, without a fifth of its own")


def _like_a_drum(figures: Portrait, midi: float) -> str:
    """Say what a sound has of a drum or a cymbal, though it may have a note; nothing where it has not."""
    harmonic = _LOW_DRUM_HARMONIC if midi < _LOW_DRUM_MIDI else _DRUM_HARMONIC
    if figures.harmonic_share < _NOISE_HARMONIC:
        return "it has no harmonics, like a cymbal"
    if figures.tail_s < _DRUM_TAIL_S and figures.harmonic_share < harmonic:
        return f"it is short ({figures.tail_s:.1f} s) and not harmonic, like a drum"
    return "it is low and very short, like a drum" if midi < _KICK_MIDI and figures.tail_s < _KICK_TAIL_S else ""


def _struck(figures: Portrait, midi: float) -> Guess:
    ring = f"rings for {figures.tail_s:.1f} s"
    if drum := _like_a_drum(figures, midi):
        return Guess("hit", drum)
    if figures.harmonic_share < _BELL_HARMONIC and figures.tail_s >= _BELL_TAIL_S:
        between = 100 * (1 - figures.harmonic_share)
        return Guess("bell", f"it {ring}, with {between:.0f} % of its power between the harmonics")
    if figures.fundamental_share > _PURE and figures.tail_s < _PURE_TAIL_S:
        return Guess("mallet", f"it is short ({figures.tail_s:.1f} s) and nearly a pure tone")
    if figures.fundamental_share > _PURE and midi >= _PURE_MIDI:
        return Guess("bell", f"it is nearly a pure tone and {ring}")
    return Guess("pluck", f"it is struck and {ring}, with its harmonics")
