"""Tables for a person: what was built, what to set on the device, what the checks say.

They are made from a manifest's JSON: an earlier build is shown without the models that check one, which take a tenth of
a second to load.
"""

from __future__ import annotations

from collections.abc import Container, Iterable, Mapping
from pathlib import Path
from typing import Any, TypeAlias

from rich import box
from rich.table import Table
from rich.text import Text

from kitfold.pack.slots import checks_about, checks_by_name, shared_steps, stored_name

__all__ = ["build_table", "cost_said", "plain_table", "said_of"]

Entries: TypeAlias = Mapping[str, Any]
"""As in manifest.json: all of it, or one of its entries."""

_NO_COST_DB = -100.0
_UNHEARD_DB = -50.0
_STYLES = {"pass": "green", "warn": "yellow", "fail": "bold red"}


def plain_table(*headers: str, right: Iterable[str] = ()) -> Table:
    """Return an empty table in the one style of this program.

    Parameters
    ----------
    headers : str
    right : headers whose columns are aligned to the right
    """
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False, header_style="bold")
    for header in headers:
        table.add_column(header, justify="right" if header in right else "left", overflow="fold")
    return table


def build_table(folder: Path, manifest: Entries) -> list[Table | Text]:
    """Return what a build shows: its slots, the checks that don't pass, memory and where it is."""
    shown: list[Table | Text] = [_slots(manifest)]
    shown += [_chart(manifest, section) for section in manifest["song"]["sections"]]
    poor = [check for check in manifest["checks"] if check["result"] != "pass"]
    if poor:
        shown.append(_checks(poor))
    shown += [Text(line) for line in _said(manifest)]
    where = Text(f"in {folder.as_posix()}/", no_wrap=True, overflow="ignore")  # to be copied
    return [*shown, Text(_summary(manifest)), Text(cost_said(manifest)), where]


def _slots(manifest: Entries) -> Table:
    headers = ("slot", "sound", "root", "level dB", "semitones", "length s", "memory", "changed to fit", "checks")
    table = plain_table(*headers, right=("slot", "level dB", "length s", "memory"))
    checks = manifest["checks"]
    named = checks_by_name(checks)
    for slot in manifest["slots"]:
        table.add_row(
            str(slot["slot"]),
            _label(slot),
            _root(slot),
            f"{slot['play_db']:.1f}",
            _span([hold["setting"] for hold in slot["holds"]] or [slot["play_semitones"]]),
            f"{slot['seconds']:.2f}",
            _share(slot, manifest),
            "; ".join(said_of(change) for change in slot["changes"]) or "whole",
            _verdict({checks[place]["result"] for place in checks_about(slot, named)}),
        )
    return table


def _root(slot: Entries) -> str:
    if not slot["root"]["pitched"] or slot["root"]["note"] is None:
        return "none"
    note, error = slot["root"]["note"], slot["root"]["error_cents"]
    return f"{note} {error:+.1f} c" if error is not None else str(note)


def said_of(change: Entries) -> str:
    """Say what was done to a slot and what it costs the ear, in a few words."""
    if change["cost_db"] > _UNHEARD_DB:
        return f"{change['what']} ({change['cost_db']:.0f} dB)"
    # a copy's price is that its notes run faster or slower; that another root plays them is heard all the same
    return f"{change['what']} ({'played from further off' if change['what'] == 'drop-copy' else 'unheard'})"


def _chart(manifest: Entries, section: Entries) -> Table:
    """Return what to set on the device, slot by chord: the play chart of one section."""
    names = {one["chord"]: one["name"] for one in section["chords"]}
    chords = list(names)
    titles = [chord if name == chord else f"{chord} {name}" for chord, name in names.items()]
    table = plain_table(f"section {section['name']}: set", *titles, right=titles)
    for slot in manifest["slots"]:
        settings: dict[str, list[int]] = {}
        for hold in slot["holds"]:
            if hold["section"] == section["name"]:
                settings.setdefault(hold["chord"], []).append(hold["setting"])
        if settings:
            cells = (" ".join(f"{one:+d}" for one in sorted(set(settings.get(chord, ())))) for chord in chords)
            table.add_row(f"{slot['slot']} {_label(slot)}", *cells)
    return table


def _span(values: list[int]) -> str:
    low, high = min(values), max(values)
    return f"{low:+d}" if low == high else f"{low:+d}…{high:+d}"


def _share(slot: Entries, manifest: Entries) -> str:
    return f"{100 * slot['memory'] / manifest['budget']['limit']:.1f} %"


def _verdict(results: Container[str]) -> Text:
    """Return the worst of the results of the checks about a slot."""
    worst = next((result for result in ("fail", "warn") if result in results), "pass")
    return Text(worst, style=_STYLES[worst])


def _label(slot: Entries) -> str:
    return stored_name(slot["sound"], slot["copy"] or 0)


def _checks(checks: list[Entries]) -> Table:
    table = plain_table("check", "result", "about", "figure", "limit", "advice", right=("figure", "limit"))
    for check in checks:
        table.add_row(
            check["check"],
            Text(check["result"], style=_STYLES[check["result"]]),
            ", ".join(check["about"]),
            f"{check['figure']:g} {check['unit']}",
            f"{check['limit']:g}",
            check["advice"],
        )
    return table


def _said(manifest: Entries) -> list[str]:
    """Return what steps had to say, once each, with the sound's name; what is made from it does not say it again."""
    made = {slot["sound"]: slot["made"]["steps"] for slot in manifest["slots"]}
    lines = []
    for slot in manifest["slots"]:
        steps, before = slot["made"]["steps"], made.get(slot["made"]["from"], ())
        own = steps[shared_steps(steps, before) :]
        lines += [f"{slot['sound']}: {line}" for step in own for line in step.get("said", ())]
    return list(dict.fromkeys(lines))


def _summary(manifest: Entries) -> str:
    budget, device, checks = manifest["budget"], manifest["device"], manifest["checks"]
    used, limit = budget["used"], budget["limit"]
    if budget["unit"] == "frames":
        rate = max(device["rate_hz"])
        memory = f"{used / rate:.2f} of {limit / rate:.2f} s ({used:,} of {limit:,} frames)"
    else:
        memory = f"{used / 1000:,.0f} of {limit / 1000:,.0f} kB ({used:,} of {limit:,} bytes)"
    count = {result: sum(check["result"] == result for check in checks) for result in ("pass", "warn", "fail")}
    verdict = f"{count['pass']} checks pass, {count['warn']} warn, {count['fail']} fail"
    return f"{device['name']}: {budget['slots_used']} of {budget['slots']} slots, {memory}; {verdict}"


def cost_said(manifest: Entries) -> str:
    """Say what the device and the fit cost the ear, and what a little more memory would buy."""
    budget = manifest["budget"]
    if budget["cost_db"] <= _NO_COST_DB:
        return "no sound had to be changed to fit"
    text = f"all changes together cost {budget['cost_db']:.1f} dB (0 dB: a whole sound; each counts by its `spare`)"
    if budget["more"] is None:
        return f"{text}; more memory would change nothing"
    units, with_more_db = budget["more"]["units"], budget["more"]["cost_db"]
    more = f"{units / 1000:g} kB" if budget["unit"] == "bytes" else f"{units / max(manifest['device']['rate_hz']):g} s"
    if with_more_db <= _NO_COST_DB:
        return f"{text}; with {more} more memory nothing would be changed"
    return f"{text}; {more} more memory would make it {with_more_db:.1f} dB"
