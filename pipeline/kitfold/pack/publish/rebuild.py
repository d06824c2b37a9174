"""The kit.toml inside a pack: it makes the device editions again from the full edition, bit for bit.

Its sounds are the files of the full edition as they are (no steps); what the steps found of each, its root, its loop
and whether its end must stay, is given, so that nothing has to be found again.
"""

from __future__ import annotations

from collections.abc import Mapping

from kitfold.pack.publish.manifest import PackSound
from kitfold.pack.publish.toml_write import toml_document
from kitfold.plan.device import Device
from kitfold.plan.plan import Plan
from kitfold.plan.song import Section
from kitfold.sound import Sound

__all__ = ["device_file_name", "device_toml", "rebuild_toml"]

_TAKEN = "kit"  # a device of this name would be written over the kit

Block = tuple[str, Mapping[str, object]]


def device_file_name(device: Device) -> str:
    """Name the file beside the kit that describes a device."""
    return f"{device.name}-device.toml" if device.name == _TAKEN else f"{device.name}.toml"


def device_toml(device: Device) -> str:
    """Write a device with every value, as the kit was made for it."""
    return toml_document([("", device.model_dump(mode="json", exclude_none=True))])


def rebuild_toml(plan: Plan, sounds: Mapping[str, PackSound], masters: Mapping[str, Sound]) -> str:
    """Write the kit.toml of a pack.

    Parameters
    ----------
    plan : Plan
    sounds : mapping, name to its entry in the pack's manifest
    masters : mapping, name to the sound after its steps
    """
    blocks: list[Block] = [("[kit]", _head(plan))]
    if plan.song.sections:
        blocks.append(("[song]", {"beats_per_pattern": plan.song.beats_per_pattern}))
        blocks += [("[[song.section]]", _section(section)) for section in plan.song.sections]
    blocks += [("[[sound]]", _sound(plan, sounds[name], masters[name])) for name in sounds]
    tables = {"fit": plan.fit, "listen": plan.listen, "transfer": plan.transfer, "publish": plan.publish}
    written = {name: table.model_dump(mode="json", exclude_none=True) for name, table in tables.items()}
    blocks += [(f"[{name}]", table) for name, table in written.items() if table]
    return (
        "# Makes the device edition of this pack again, from the full edition beside it:\n"
        "#\n"
        "#     kitfold build kit.toml\n"
        "#\n"
        "# How the sounds themselves were made stands in original/kit.toml.\n\n" + toml_document(blocks)
    )


def _head(plan: Plan) -> dict[str, object]:
    """Return the table [kit] with what the kit says; a key or a tempo that it does not say stays unsaid."""
    said = plan.kit.model_fields_set
    head = {key: value for key, value in plan.kit.model_dump(mode="json").items() if key in said}
    head["device"] = [device_file_name(device).removesuffix(".toml") for device in plan.devices]
    return head


def _section(section: Section) -> dict[str, object]:
    chords: list[str] = []
    for trigger in section.triggers:
        chords += [trigger.chord.text, *["-"] * (trigger.patterns - 1)]
    table: dict[str, object] = {"name": section.name, "chords": chords}
    if section.silent:
        table["silent"] = sorted(section.silent)
    if section.shift:
        table["shift"] = dict(sorted(section.shift.items()))
    return table


def _sound(plan: Plan, entry: PackSound, master: Sound) -> dict[str, object]:
    planned = plan.sound(entry.name)
    given: dict[str, object] = {}
    if master.root_hz is not None:
        given["root_hz"] = master.root_hz
    if master.loop is not None:
        given["loop"] = list(master.loop)
    if master.whole:
        given["whole"] = True
    return {
        "name": planned.name,
        "source": entry.file,
        "steps": [],
        "slot": planned.slot,
        "plays": planned.plays if isinstance(planned.plays, str) else list(planned.plays),
        "copies": planned.copies,
        "spare": planned.spare,
        "rights": entry.rights,
        "given": given or None,
    }
