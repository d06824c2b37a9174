"""A proposal as a commented kit.toml."""

from __future__ import annotations

import json
from collections.abc import Sequence

from kitfold.plan.device import Device
from kitfold.starter.proposal import Draft, Proposal
from kitfold.starter.song import CHORDS
from kitfold.units import hz_to_midi, note_name, pitch_class_names

__all__ = ["kit_toml", "root_text", "toml_text"]


def toml_text(text: str) -> str:
    """Write any text as a TOML string in quotes, on one line.

    JSON's strings are TOML's basic strings, apart from the delete character, which TOML wants escaped (TOML 1.0.0,
    "String").
    """
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def root_text(draft: Draft, proposal: Proposal) -> str:
    """Show a sound's root: ``D3 -17 c``, or what it might be."""
    root = draft.heard.figures.root
    if root.hz is None:
        return "no root"
    midi = hz_to_midi(root.hz)
    note = _note(round(midi), proposal)
    if draft.reading.heard is not None:
        return f"{_note(draft.reading.heard, proposal)} (reads {note})"
    if draft.reading.midi is None:
        return f"no clear root (reads {note}?)"
    return f"{note} {100 * (midi - round(midi)):+.0f} c"


def kit_toml(
    proposal: Proposal, name: str, devices: Sequence[Device], device_text: str, unread: Sequence[tuple[str, str]] = ()
) -> str:
    """Write a proposal as a kit.toml with comments.

    Parameters
    ----------
    proposal : Proposal
    name : str, the kit's
    devices : those that ship, named in a comment
    device_text : str, how the kit names its device
    unread : (file, why) of sounds that could not be read
    """
    blocks = [
        _head(proposal, name, devices, device_text),
        _song(proposal),
        *_sounds(proposal),
        *(_commented(_sound(draft, proposal, 0)) for draft in proposal.drafts if draft.left_out),
    ]
    if unread:
        blocks.append(
            "\n".join(
                ["# These files could not be used:", *(f"#   {toml_text(file)}: {_line(why)}" for file, why in unread)]
            )
        )
    return "\n\n".join(blocks) + "\n"


def _head(proposal: Proposal, name: str, devices: Sequence[Device], device_text: str) -> str:
    key, song = proposal.key, proposal.song
    others = ", ".join(device.name for device in devices if device.name != device_text)
    outside = ", ".join(pitch_class_names(key.key.flats)[pitch_class] for pitch_class in key.outside)
    lines = [
        "# A starter kit, proposed from what was measured. Change what you like; it builds as it is.",
        *(f"# {_line(note)}." for note in proposal.notes),
        "",
        "[kit]",
        f"name    = {toml_text(name)}",
        f"title   = {toml_text(name.replace('-', ' ').strip().capitalize() or name)}",
        'version = "1.0.0"',
        'author  = ""',
        'licence = ""  # to publish: an SPDX identifier such as "CC-BY-4.0", and rights for every sound',
        f"device  = {toml_text(device_text)}  # {proposal.device_why}" + (f"; others: {others}" if others else ""),
        f"key     = {toml_text(str(key.key))}  # {key.sure}" + (f"; not in it: {outside}" if outside else ""),
        f"tempo   = {song.tempo:g}  # {proposal.tempo_why}",
    ]
    if proposal.middle_c == "C3":
        lines.append('middle_c = "C3"  # the file names count so: they lie an octave under what was measured')
    return "\n".join(lines)


def _song(proposal: Proposal) -> str:
    song, key = proposal.song, proposal.key.key
    section = song.sections[0]
    pattern = f"{song.held_s(1):.2f} s"
    names = ", ".join(trigger.chord.name(key.flats) for trigger in section.triggers)
    return "\n".join(
        [
            "# What the kit will be asked to play: from this the build works out how far each sound is moved and how",
            f"# long it must last. A pattern lasts {pattern}.",
            "[song]",
            f"beats_per_pattern = {song.beats_per_pattern:g}",
            "",
            "[[song.section]]",
            f"name   = {toml_text(section.name)}",
            f"chords = [{', '.join(toml_text(text) for text in CHORDS[key.mode])}]  # {names}; one a pattern, "
            '"-" holds on',
        ]
    )


def _sounds(proposal: Proposal) -> list[str]:
    blocks = []
    for draft in proposal.kept:
        blocks.append(_sound(draft, proposal, draft.slot))
        if draft.name == proposal.riser_of:
            blocks.append(_riser(proposal))
    return blocks


def _sound(draft: Draft, proposal: Proposal, slot: int) -> str:
    comments = [_measured(draft, proposal), f"{draft.guess.recipe}: {draft.guess.why}", *draft.remarks]
    if draft.left_out:
        comments.insert(0, f"left out: {draft.left_out}")
    lines = [
        *(f"# {_line(comment)}" for comment in comments),
        "[[sound]]",
        f"name   = {toml_text(draft.name)}",
        f"source = {toml_text(draft.heard.file)}",
        f"recipe = {toml_text(draft.guess.recipe)}",
    ]
    if slot:
        lines.append(f"slot   = {slot}")
    if draft.plays is not None:
        lines.append(f"plays  = {toml_text(draft.plays) if isinstance(draft.plays, str) else list(draft.plays)}")
    first = draft.name == proposal.kept[0].name
    lines.append('rights = ""' + ('  # to publish: "own work", or licence and credit of the source' if first else ""))
    if draft.guess.recipe not in ("hit", "raw"):
        if draft.reading.heard is not None:
            lines.append(f"tune.heard = {toml_text(_note(draft.reading.heard, proposal))}")
        if draft.tune_to is not None:
            lines.append(f"tune.to = {toml_text(draft.tune_to)}")
    return "\n".join(lines)


def _measured(draft: Draft, proposal: Proposal) -> str:
    figures = draft.heard.figures
    root = root_text(draft, proposal)
    sure = f", confidence {figures.root.confidence:.2f}" if figures.root.hz is not None else ""
    attack = f"attack {figures.attack_s * 1000:.0f} ms, " if figures.attack_s >= 0.005 else ""
    return (
        f"{root}{sure}; {attack}holds {figures.held_s:.1f} s, sounds for {figures.tail_s:.1f} s, "
        f"{figures.lufs:.0f} LUFS, centre {figures.brightness_hz:.0f} Hz"
    )


def _riser(proposal: Proposal) -> str:
    beats = f"{proposal.riser_beats:g}"
    return "\n".join(
        [
            f"# A swell out of {proposal.riser_of} that peaks on the beat: start it {beats} beats early.",
            "[[sound]]",
            f"name   = {toml_text(proposal.riser_name)}",
            f"from   = {toml_text(proposal.riser_of or '')}",
            'recipe = "riser"',
            f"slot   = {proposal.riser_slot}",
            'rights = ""',
            f"riser.beats = {beats}",
        ]
    )


def _commented(block: str) -> str:
    return "\n".join(line if line.startswith("# ") else f"# {line}" for line in block.splitlines())


def _note(midi: int, proposal: Proposal) -> str:
    return note_name(midi, proposal.middle_c, proposal.key.key.flats)


def _line(text: str) -> str:
    """Keep a comment on its line, whatever a file's name or an error says."""
    return "".join(letter if letter.isprintable() else " " for letter in text)
