"""Checks of the song against the kit: the notes of the key, and the voices of the device."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from kitfold.pack.cast import arranged
from kitfold.pack.claim import Row, claim, joined, worst_of
from kitfold.pack.manifest import Check
from kitfold.pack.played import PlayedKit
from kitfold.plan.chord import Chord
from kitfold.plan.plan import Plan
from kitfold.plan.settings import Stack
from kitfold.plan.song import Section
from kitfold.units import pitch_class_names

__all__ = ["borrowed", "fifths", "scale", "voices"]


def scale(kit: PlayedKit) -> list[Check]:
    """List every note that the song asks of a sound, and that is in neither the key nor the chord under it.

    The limit is none: the key is what the kit says it is in, and a chord may say otherwise for itself only.
    """
    plan = kit.plan
    rows = [Row(0.0, (), "")] if plan.song.sections else []
    for name in kit.first:
        strangers = [
            f"{_name(plan, pitch_class)} over {trigger.chord.text} in {section.name}"
            for section in plan.song.sections
            if name not in section.silent
            for trigger, notes in zip(section.triggers, kit.notes(section, name), strict=True)
            for pitch_class in dict.fromkeys(note.pitch_class for note in notes)
            if pitch_class is not None and pitch_class not in {*plan.key.scale, *_tones(trigger.chord)}
        ]
        strangers = list(dict.fromkeys(strangers))
        if strangers:
            listed = ", ".join(strangers[:4]) + (f" and {len(strangers) - 4} more" if len(strangers) > 4 else "")
            advice = f"it plays outside {plan.key}: {listed}; change its shift or `plays`, or let it rest there"
            rows.append(Row(len(strangers), (name,), advice))
    return worst_of("scale", rows, 0, "notes")


def borrowed(plan: Plan) -> list[Check]:
    """Tell which chords the song borrows from other keys: for information, since the song itself names them."""
    if not plan.song.sections:
        return []
    found: dict[str, None] = {}
    for section in plan.song.sections:
        for trigger in section.triggers:
            outside = [_name(plan, tone) for tone in _tones(trigger.chord) if tone not in plan.key.scale]
            if outside:
                found[f"{trigger.chord.text} in {section.name} ({', '.join(outside)})"] = None
    advice = f"borrowed from outside {plan.key}, as the song says: {', '.join(found)}; nothing to do if that is meant"
    return [claim("borrowed chords", "warn" if found else "pass", len(found), 0, "chords", (), advice)]


def fifths(plan: Plan) -> list[Check]:
    """Warn of a stacked fifth that leaves the key: on a diatonic root only that of the diminished degree does."""
    stacked = [s for s in plan.sounds if any(_has_fifth(step.settings) for step in s.steps) and s.plays == "chords"]
    checks = []
    for sound in stacked:
        outside = [
            f"{trigger.chord.text} in {section.name}"
            for section in plan.song.sections
            if sound.name not in section.silent
            for trigger in section.triggers
            if trigger.chord.root in plan.key.scale and (trigger.chord.root + 7) % 12 not in plan.key.scale
        ]
        if outside:
            advice = (
                f"its fifth leaves {plan.key} at {', '.join(dict.fromkeys(outside))}: rest it there or stack octaves"
            )
            checks.append(claim("fifth in key", "warn", len(outside), 0, "chords", [sound.name], advice))
    return checks


def voices(kit: PlayedKit) -> list[Check]:
    """Count the sounds that may play in a section, one voice each, against the voices of the device.

    The figure is what the song allows, not what any one arrangement plays: a sound counts wherever it is not silenced.
    Where they are too many, the advice says beside it how many notes our own preview starts together there. The limit
    is the device's own figure; a device that runs out stops a note or leaves one out.
    """
    device, sections = kit.packed.device, kit.plan.song.sections
    if not sections:
        return []
    worst = max(sections, key=lambda section: len(kit.sounding(section)))
    sounding = kit.sounding(worst)
    over = len(sounding) - device.voices
    if over <= 0:
        return [claim("voices", "pass", len(sounding), device.voices, "sounds", ())]
    held = [name for name in sounding if kit.holds(name)]
    advice = (
        f"{len(sounding)} sounds may play in {worst.name}, where `silent` does not name them, and {device.name} plays "
        f"{device.voices} at once; {_previewed(kit, worst, sounding)}. In what you play, trigger {over} of them at "
        f"other times than the rest, or add them to `silent`; {_listed(held)} held meanwhile"
    )
    return [claim("voices", "warn", len(sounding), device.voices, "sounds", (), advice)]


def _previewed(kit: PlayedKit, section: Section, sounding: Sequence[str]) -> str:
    """Say how many notes the preview starts together in a section, and which sounds it leaves out there."""
    notes = [note for note in arranged(kit.plan, kit.packed).notes if note.section == section.name]
    if not notes:
        return "the preview ends before that section"
    together = max(Counter(note.start_beats for note in notes).values())
    heard = {note.sound for note in notes}
    missing = [name for name in sounding if name not in heard]
    left_out = f" and leaves {joined(missing)} out" if missing else ""
    return f"the preview starts at most {together} of their notes together there{left_out}"


def _listed(names: list[str]) -> str:
    return f"{joined(names) or 'none'} {'is' if len(names) < 2 else 'are'}"


def _tones(chord: Chord) -> set[int]:
    return {(chord.root + tone) % 12 for tone in chord.tones}


def _name(plan: Plan, pitch_class: int) -> str:
    return pitch_class_names(plan.key.flats)[pitch_class]


def _has_fifth(settings: object) -> bool:
    return isinstance(settings, Stack) and any(interval % 12 == 7 for interval in settings.intervals)
