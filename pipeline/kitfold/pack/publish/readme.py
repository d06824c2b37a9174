"""README.txt: what somebody who downloads a pack asks, answered from its manifest."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from textwrap import wrap

from kitfold.pack.publish.manifest import PackManifest, PackSound
from kitfold.pack.publish.rights import CAUTION, conditions

__all__ = ["WIDTH", "readme_text"]

WIDTH = 78
"""Letters a line: a terminal shows it without a break."""

_CREATIVE_COMMONS = "https://creativecommons.org"


def readme_text(manifest: PackManifest, top: str, clock_and_key: Sequence[str]) -> str:
    """Write the README of a pack.

    Parameters
    ----------
    manifest : PackManifest; its list of files is not read
    top : str, the folder that the pack unpacks into
    clock_and_key : sequence of str, tempo and key in words, as far as the kit says them

    Returns
    -------
    str, plain text in lines of 78 letters at most, apart from a table whose names need more
    """
    blocks = [
        _title(manifest),
        _what(manifest, clock_and_key),
        _section("SOUNDS", _sounds(manifest)),
        _section("ON A SMALL SAMPLER", _on_a_sampler(manifest)),
        _section("PLAYING ALONG", _playing(manifest)),
        _section("LICENCE AND CREDITS", _licence(manifest)),
        _section("CAUTIONS", _cautions()),
        _section("CHECKING AND REBUILDING", _checking(manifest, top)),
    ]
    return "\n\n".join("\n".join(block) for block in blocks) + "\n"


def _title(manifest: PackManifest) -> list[str]:
    line = f"{_name(manifest)} {manifest.kit['version']}"
    return [line, "=" * min(len(line), WIDTH)]


def _name(manifest: PackManifest) -> str:
    return str(manifest.kit["title"] or manifest.kit["name"])


def _what(manifest: PackManifest, clock_and_key: Sequence[str]) -> list[str]:
    kit, count = manifest.kit, len(manifest.sounds)
    sounds = "one sound" if count == 1 else f"{count} sounds"
    tuning = f"A4 = {kit['a4_hz']:g} Hz"
    text = f"A kit of {sounds} for samplers, by {kit['author']}: {', '.join([*clock_and_key, tuning])}. "
    text += f"Notes are named so that {kit['middle_c']} is MIDI note 60. "
    text += "It comes in these editions:"
    lines = [("full/", "every sound as a 24-bit WAV file at full quality; take this one if you are not sure")]
    lines += [(f"{one.folder}/", f"the same kit as the device {one.device} stores it") for one in manifest.editions]
    lines.append(("preview/", f"MP3 files to listen to; {manifest.preview.split('/')[-1]} plays everything together"))
    return [*wrap(text, WIDTH), "", *_listed(lines)]


def _sounds(manifest: PackManifest) -> list[str]:
    rows = [("sound", "root", "seconds", "loops", "played", "file")]
    rows += [
        (one.name, _root(one), f"{one.seconds:.2f}", "yes" if one.loop else "no", _played(one), one.file)
        for one in manifest.sounds
    ]
    widths = [max(len(row[place]) for row in rows) for place in range(len(rows[0]))]
    table = ["  ".join(f"{cell:<{width}}" for cell, width in zip(row, widths, strict=True)).rstrip() for row in rows]
    text = (
        "The root is the note that a file of full/ plays at its own speed; each of them carries it (smpl and inst "
        "chunks), with its loop, title, licence and loudness. chords: hold it under each chord; tones: play the "
        "chord's notes; "
        "numbers: semitones above the chord's root; fixed: never move it. manifest.csv has all figures."
    )
    return [*table, "", *wrap(text, WIDTH)]


def _root(sound: PackSound) -> str:
    return sound.root.note or "none"


def _played(sound: PackSound) -> str:
    return sound.plays if isinstance(sound.plays, str) else " ".join(map(str, sound.plays))


def _on_a_sampler(manifest: PackManifest) -> list[str]:
    steps = [
        "Turn the volume down before you play a sound for the first time.",
        "Is there a folder under device/ whose figures are those of your sampler (rate, bits, mono or stereo; the "
        "file of that name beside this one says them)? Load its files into the slots that chart.csv in that folder "
        "names, and set what it says: the level of each slot, and the semitones at each chord. What is stored an "
        "octave up is set an octave down there, so take the settings from that table and from no other.",
        "Is your sampler filled through its line input? Play the files into it one after the other; kitfold build "
        "kit.toml also makes one take of all of them, with a list of where each begins.",
        "Otherwise load the files of full/; convert them if your sampler asks for another rate or depth. Tell it each "
        "sound's root from the table above if it does not read it from the file.",
        "A sampler that moves pitch by playing faster or slower makes high notes shorter: 12 semitones up last half as "
        "long, 12 down twice as long.",
    ]
    return _numbered(steps)


def _playing(manifest: PackManifest) -> list[str]:
    if not manifest.song["sections"]:
        text = "song.mid is a short sketch that plays every sound."
        return wrap(text, WIDTH)
    chart = [
        (str(section["name"]), "  ".join(f"{one['name']} x{one['patterns']}" for one in section["chords"]))
        for section in manifest.song["sections"]
    ]
    beats = manifest.song["beats_per_pattern"]
    text = (
        f"The song that the kit was made for, chord by chord; x2 lasts two patterns of {beats:g} beats. patterns.csv "
        "says how far each sound of full/ is moved at each chord, and is empty where it rests; song.mid is a sketch of "
        "it to play along with."
    )
    return [*_listed(chart), "", *wrap(text, WIDTH)]


def _licence(manifest: PackManifest) -> list[str]:
    kit = manifest.kit
    address = _address(str(kit["licence"]))
    text = f"{_name(manifest)} {kit['version']} by {kit['author']}. Licence: {kit['licence']}"
    lines = wrap(text + (f", {address}" if address else ""), WIDTH, break_long_words=False, break_on_hyphens=False)
    return [*lines, "", "What each sound says of its source:", "", *_rights(manifest.sounds)]


def _rights(sounds: Iterable[PackSound]) -> list[str]:
    """List what sounds say of their rights; those that say the same stand together."""
    together: dict[str, list[str]] = {}
    for sound in sounds:
        together.setdefault(sound.rights, []).append(sound.name)
    lines: list[str] = []
    for rights, names in together.items():
        lines += wrap(", ".join(names) + ":", WIDTH, initial_indent="  ", subsequent_indent="  ")
        lines += wrap(rights, WIDTH, initial_indent="    ", subsequent_indent="    ", break_long_words=False)
    return lines


def _cautions() -> list[str]:
    texts = [
        "The files under device/ are close to full scale. Turn monitors and headphones down first, raise them slowly.",
        "When you record into a line input, raise the gain from low and watch for overload; clipping cannot be undone.",
        f"Passing these sounds on is allowed as far as the licence says, and no further: {CAUTION}.",
    ]
    return [line for text in texts for line in wrap(text, WIDTH, initial_indent="- ", subsequent_indent="  ")]


def _checking(manifest: PackManifest, top: str) -> list[str]:
    made = manifest.made_with
    text = (
        "SHA256SUMS has the checksum of every file. On Linux, or wherever sha256sum is, this says whether all is "
        "there and unchanged (on macOS write shasum -a 256 for sha256sum):"
    )
    again = (
        f"kitfold {made['kitfold']} made the device edition from the full edition, and makes it again, on the versions "
        "that manifest.json names bit for bit, from the folder that this one lies in, by:"
    )
    rest = (
        "kitfold verify checks all of that, and measures the sounds again. original/ has the kit as its author wrote "
        "it, for reading: what it was made from is not in the pack. manifest.json says what was measured and how each "
        "sound was made, manifest.schema.json what its fields mean."
    )
    check = [f"    cd {top}", "    sha256sum -c SHA256SUMS"]
    build = [f"    kitfold build {top}/kit.toml"]
    return [*wrap(text, WIDTH), "", *check, "", *wrap(again, WIDTH), "", *build, "", *wrap(rest, WIDTH)]


def _address(licence: str) -> str:
    """Return where the text of a Creative Commons licence stands; nothing for others, whose names are known well."""
    words = licence.split("-")
    if licence.startswith("CC0-"):
        return f"{_CREATIVE_COMMONS}/publicdomain/zero/{words[1]}/"
    terms = conditions(licence)
    if not terms or len(words) < 3 or words[0] != "CC" or not words[-1].replace(".", "").isdigit():
        return ""
    return f"{_CREATIVE_COMMONS}/licenses/{'-'.join(words[1:-1]).lower()}/{words[-1]}/"


def _section(title: str, lines: Sequence[str]) -> list[str]:
    return [title, "-" * len(title), "", *lines]


def _listed(pairs: Sequence[tuple[str, str]]) -> list[str]:
    width = max(len(name) for name, _ in pairs)
    lines: list[str] = []
    for name, text in pairs:
        lines += wrap(text, WIDTH, initial_indent=f"  {name:<{width}}  ", subsequent_indent=" " * (width + 4))
    return lines


def _numbered(texts: Sequence[str]) -> list[str]:
    return [
        line
        for number, text in enumerate(texts, 1)
        for line in wrap(text, WIDTH, initial_indent=f"{number}. ", subsequent_indent="   ")
    ]
