"""Plain words for what the manifest says in keys: checks, changes, steps, the device."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from kitfold.sheet.numbers import decibels, signed

__all__ = [
    "change_words",
    "check_lines",
    "check_title",
    "cut_words",
    "device_words",
    "error_words",
    "heard_loss",
    "loss_words",
    "memory_words",
    "pitched_up",
    "step_words",
]

CHECKS = {
    "memory": ("Memory", "what the slots take of the device's memory"),
    "slots": ("Slots", "how many are filled"),
    "hold": ("Holds", "every held note must last until the next chord"),
    "tuning": ("Tuning", "how far the stored note lies from the wanted one"),
    "tuning between": ("Tuning between sounds", "how far two sounds held together differ"),
    "beats": ("Beating", "how fast two sounds held together beat against each other"),
    "balance": ("Balance", "how far the levels to set stray from the balance of the masters"),
    "peak": ("Peaks", "the highest stored sample"),
    "noise floor": ("Noise floor", "what sounds where the sound is silent"),
    "noise under sound": ("Noise under the sound", "how far the device's noise lies under what plays"),
    "clicks": ("Clicks", "the steepest jump at a cut or a loop"),
    "mono": ("Mono", "what is lost when left and right are added"),
    "speaks": ("Speaking in time", "how long a sound takes to be there"),
    "chord gap": ("Gap at chord changes", "how long a held sound is nearly gone when it is struck again"),
    "brightness lost": ("Brightness lost", "how far the highest audible band came down"),
    "brightness": ("Room in brightness", "how far sounds lie apart from low to high"),
    "masking": ("Masking", "how much of one sound cannot be heard under another"),
    "scale": ("Scale", "notes that lie outside the key"),
    "borrowed chords": ("Borrowed chords", "chords from outside the key"),
    "voices": ("Voices", "how many sounds a section has, each of which may sound with the others"),
    "drift": ("Drift", "how far a note wanders while it sounds"),
    "loop": ("Loop seam", "how well the end of the loop meets its start"),
    "seam": ("Loop seam", "how well the end of the loop meets its start"),
}
CHANGES = {
    "shorten": "tail shortened",
    "loop": "looped",
    "drop-copy": "a copy left out",
    "lower-rate": "stored at a lower rate",
}
RESULTS = {"pass": "holds", "warn": "look at this", "fail": "falls short"}
_INAUDIBLE_DB = -50.0  # as on the command line: a hundred-thousandth of what is heard
_NO_COST_DB = -120.0  # what a manifest writes where nothing was changed
_FURTHER = "notes are played from further off"
_NAMED_SEPARATELY = ("step", "settings", "found", "said")


def check_lines(checks: Iterable[Mapping[str, Any]]) -> list[dict[str, Any]]:
    """Return the checks for reading: the ones to look at first, what holds after them."""
    order = {"fail": 0, "warn": 1, "pass": 2}
    lines = [{**_check(one), "place": place} for place, one in enumerate(checks)]
    return sorted(lines, key=lambda line: order[line["result"]])


def check_title(check: Mapping[str, Any]) -> str:
    """Name a check."""
    return CHECKS.get(check["check"], (str(check["check"]).capitalize(), ""))[0]


def change_words(change: Mapping[str, Any], slot: Mapping[str, Any], whole_s: float = 0.0) -> dict[str, str]:
    """Say what was changed of a slot to fit, why, and what it cost the ear.

    Parameters
    ----------
    change, slot : mappings as in manifest.json
    whole_s : float, seconds that the master lasts; 0: not known
    """
    what = _stored_up(slot) if change["what"] == "repitch" else CHANGES.get(change["what"], change["what"])
    if change["what"] == "shorten":
        what = f"shortened to {cut_words(slot, whole_s)}"
    # a copy's price is that its notes run faster or slower; that another root plays them is heard all the same
    further = change["what"] == "drop-copy" and change["cost_db"] <= _INAUDIBLE_DB
    title = CHANGES["shorten"] if change["what"] == "shorten" else what
    cost = _FURTHER if further else heard_loss(change["cost_db"])
    return {"what": what, "title": title, "why": change["why"], "cost": cost}


def cut_words(slot: Mapping[str, Any], whole_s: float) -> str:
    """Say how much of a sound is left, as it lasts at its root: a half reads otherwise than a twentieth."""
    left_s = slot["seconds"] * 2.0 ** (-slot["play_semitones"] / 12.0)
    if whole_s <= left_s:
        return f"{left_s:.2f} s"
    return f"{left_s:.2f} s, {100.0 * left_s / whole_s:.0f} % of its {whole_s:.2f} s"


def _stored_up(slot: Mapping[str, Any]) -> str:
    """Say how far up a slot is stored."""
    return f"stored {pitched_up(slot['play_semitones']) or 'at its root'}"


def pitched_up(play_semitones: int) -> str:
    """Say how far above its root a slot is stored that is played so far down; nothing where it is stored at it."""
    up = -play_semitones
    if not up:
        return ""
    way = "up" if up > 0 else "down"
    return f"an octave {way}" if abs(up) == 12 else f"{abs(up)} semitone{'s' * (abs(up) != 1)} {way}"


def heard_loss(cost_db: float) -> str:
    """Write what a change costs: -20 dB is a hundredth of what is heard of the sound."""
    return "not heard" if cost_db <= _INAUDIBLE_DB else decibels(cost_db)


def error_words(slot: Mapping[str, Any], whole_s: float = 0.0) -> str:
    """Say what was changed of a slot, or of several changes what they cost the ear: what was left out counts too."""
    changes = slot["changes"]
    if not changes:
        return "nothing was changed to fit"
    if len(changes) == 1:
        words = change_words(changes[0], slot, whole_s)
        return f"{words['what']} ({words['cost']})"
    cost_db = max(slot["cost_db"], *(change["cost_db"] for change in changes))
    if cost_db > _INAUDIBLE_DB:
        return f"its changes cost {heard_loss(cost_db)}"
    return f"some {_FURTHER}" if any(one["what"] == "drop-copy" for one in changes) else "its changes are not heard"


def loss_words(manifest: Mapping[str, Any]) -> dict[str, str]:
    """Say what all changes of a kit cost the ear; nothing was lost where nothing was changed."""
    cost_db = manifest["budget"]["cost_db"]
    if cost_db <= _NO_COST_DB and not any(slot["changes"] for slot in manifest["slots"]):
        return {"before": "Nothing was changed to make the kit fit", "loss": "", "after": ""}
    if cost_db <= _INAUDIBLE_DB:
        return {"before": "What was changed to make the kit fit is", "loss": "not heard", "after": ""}
    note = "(0 dB is as bad as one sound missing, −20 dB a hundredth of that; each sound counts by its spare)"
    return {"before": "All changes together cost", "loss": heard_loss(cost_db), "after": note}


def device_words(device: Mapping[str, Any]) -> str:
    """Describe the device in one line."""
    rates = device["rate_hz"] if isinstance(device["rate_hz"], list) else [device["rate_hz"]]
    kilo = " or ".join(f"{rate / 1000:g}" for rate in rates)
    low, high = device["transpose"]
    moves = f"plays {signed(low)} to {signed(high)} semitones" if (low, high) != (0, 0) else "cannot transpose"
    parts = [
        f"{device['slots']} slots",
        f"{device['bits']}-bit {device['encoding']}",
        f"{kilo} kHz",
        {1: "mono", 2: "stereo"}.get(device["channels"], f"{device['channels']} channels"),
        moves,
        f"{device['voices']} voices",
        "a note plays on when the key is let go" if device["note_off"] == "plays-on" else "a note stops with the key",
    ]
    return " · ".join(parts)


def memory_words(budget: Mapping[str, Any], device: Mapping[str, Any]) -> dict[str, str]:
    """Say how full the kit is and what more memory would buy."""
    rates = device["rate_hz"] if isinstance(device["rate_hz"], list) else [device["rate_hz"]]
    per, unit = (max(rates), "s") if budget["unit"] == "frames" else (1000, "kB")
    used, limit = budget["used"] / per, budget["limit"] / per
    more = budget.get("more")
    return {
        "used": f"{used:,.2f} of {limit:,.2f} {unit}",
        "free": f"{limit - used:,.2f} {unit} free",
        "slots": f"{budget['slots_used']} of {budget['slots']} slots",
        "more": _bought(budget, more, f"{more['units'] / per:g} {unit}" if more else ""),
    }


def _bought(budget: Mapping[str, Any], more: Mapping[str, Any] | None, amount: str) -> str:
    """Say what more memory would do, in a sentence; nothing where there is nothing to win."""
    if budget["cost_db"] <= _INAUDIBLE_DB:
        return ""
    if not more:
        return "More memory would change nothing."
    if more["cost_db"] <= _INAUDIBLE_DB:
        return f"With {amount} more memory no change would be heard."
    return f"With {amount} more memory it would be {heard_loss(more['cost_db'])}."


def step_words(step: Mapping[str, Any]) -> dict[str, str]:
    """Write one step of a sound's history as text."""
    extra = {key: value for key, value in step.items() if key not in _NAMED_SEPARATELY}
    return {
        "step": str(step.get("step", "")),
        "settings": _pairs({**step.get("settings", {}), **extra}),
        "found": _pairs(step.get("found", {})),
        "said": " ".join(str(line) for line in step.get("said", ())),
    }


def _check(check: Mapping[str, Any]) -> dict[str, Any]:
    title, meaning = CHECKS.get(check["check"], (str(check["check"]).capitalize(), ""))
    return {
        "title": title,
        "meaning": meaning,
        "result": check["result"],
        "verdict": RESULTS[check["result"]],
        "about": list(check["about"]),
        "figure": f"{_number(check['figure'])} {check['unit']}".strip(),
        "limit": _number(check["limit"]),
        "advice": check["advice"],
    }


def _number(value: float) -> str:
    text = f"{value:,.0f}" if abs(value) >= 1000 else f"{value:.3g}"
    return text.replace("-", "−")


def _pairs(values: Mapping[str, Any]) -> str:
    return ", ".join(f"{key} {_value(value)}" for key, value in values.items())


def _value(value: Any) -> str:
    if isinstance(value, (list, tuple)):
        return "[" + " ".join(_value(one) for one in value) + "]"
    return f"{value:g}" if isinstance(value, float) else str(value)
