"""Make a proposal fit a device: choose the device, say what to leave out, give every sound its slot.

What a device holds is counted as the packer counts it: slots, memory in frames or bytes, copies that the song needs.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace

from kitfold.pack.asks import Ask, asks_of
from kitfold.pack.holds import Reach, copies_for
from kitfold.pack.memory import memory_of
from kitfold.plan.device import Device
from kitfold.starter.proposal import Draft, Proposal
from kitfold.units import seconds_to_frames, semitones_to_ratio

__all__ = ["capacity_s", "fitted"]

_NATURAL_SEMITONES = 5.0  # the kit's default
_LEAST_S, _ENOUGH_S = 0.3, 4.0  # of a sound that no chord holds, this much at least, and no more than that, must stay
_ROOTS_ONLY = "only the root of each chord, so that it needs fewer copies"
_SPARE_S = 0.15  # for what trim, fades and rounding add to a hold


@dataclass(frozen=True)
class _Need:
    """What a proposal takes of a device: slots, and memory for the sounds whole and for what must stay of them."""

    slots: int
    whole: int
    least: int


def fitted(proposal: Proposal, devices: Sequence[Device], wished: bool) -> Proposal:
    """Choose the smallest device that takes every sound whole; else the roomiest, and leave out what it cannot take.

    Parameters
    ----------
    proposal : Proposal, its device still open
    devices : those to choose from, at least one
    wished : bool, True where the user named it

    Returns
    -------
    Proposal with device, slots, and what was left out and why
    """
    by_room = sorted(devices, key=lambda device: (capacity_s(device), device.slots, device.name))
    for device in by_room:
        if (_reaches(device) or wished) and _takes_whole(proposal, device):
            why = "as you said" if wished else "the smallest that takes every sound whole"
            return _placed(replace(proposal, device=device, device_why=why))
    roomiest = max(by_room, key=lambda device: (device.slots >= len(proposal.drafts), capacity_s(device)))
    why = "as you said" if wished else "the roomiest that ships"
    return _placed(_reduced(replace(proposal, device=roomiest, device_why=why)))


def capacity_s(device: Device) -> float:
    """Say how many seconds a device stores at its highest rate, in its own channels."""
    memory = memory_of(device)
    return memory.limit / memory.per_frame / device.top_rate_hz


def _reaches(device: Device) -> bool:
    return device.transpose[0] < 0 < device.transpose[1]


def _takes_whole(proposal: Proposal, device: Device) -> bool:
    need = _need(proposal, device)
    return need.slots <= device.slots and need.whole <= memory_of(device).limit


def _need(proposal: Proposal, device: Device) -> _Need:
    memory, rate_hz = memory_of(device), device.top_rate_hz
    slots, whole, least = 0, 0, 0
    for draft in proposal.kept:
        asks = asks_of(draft.name, draft.played, draft.pitch_class, proposal.song)
        times = 1 + len(_required(draft, asks, device))
        longest_s = min(draft.seconds + _SPARE_S, device.slot_max_s or draft.seconds + _SPARE_S)
        slots += times
        whole += times * memory.cost(seconds_to_frames(longest_s, rate_hz))
        least += times * memory.cost(seconds_to_frames(min(longest_s, _least_s(draft, asks)), rate_hz))
    if proposal.riser_of is not None:
        swell = memory.cost(seconds_to_frames(proposal.riser_s + _SPARE_S, rate_hz))
        slots, whole, least = slots + 1, whole + swell, least + swell
    return _Need(slots, whole, least)


def _required(draft: Draft, asks: tuple[Ask, ...], device: Device) -> tuple[int, ...]:
    """Return the copies that the packer will have to store."""
    return copies_for(asks, "auto", draft.held_s, Reach(*device.transpose, _NATURAL_SEMITONES))[0]


def _least_s(draft: Draft, asks: tuple[Ask, ...]) -> float:
    """Return what must stay of a sound: what the song holds, else its body."""
    held_s = max((ask.needs_s * semitones_to_ratio(ask.semitones) for ask in asks), default=0.0)
    if held_s > 0.0:
        return max(held_s, max(ask.needs_s for ask in asks)) + _SPARE_S
    return min(_ENOUGH_S, max(_LEAST_S, draft.held_s)) + _SPARE_S


def _reduced(proposal: Proposal) -> Proposal:
    """Give up, one at a time, what costs least: moves that need copies, the riser, sounds of which there are most."""
    device = proposal.device
    limit = memory_of(device).limit
    while True:
        need = _need(proposal, device)
        if need.slots <= device.slots and need.least <= limit:
            break
        lack = "slots" if need.slots > device.slots else "memory"
        smaller = _without_copies(proposal) or _without_riser(proposal) or _without_sound(proposal, lack)
        if smaller is None:
            break
        proposal = smaller
    return replace(proposal, notes=(*proposal.notes, *_room_notes(proposal, need)))


def _room_notes(proposal: Proposal, need: _Need) -> tuple[str, ...]:
    device, limit = proposal.device, memory_of(proposal.device).limit
    share = limit / capacity_s(device)
    notes = []
    if out := [draft.name for draft in proposal.drafts if draft.left_out]:
        notes.append(f"{len(out)} of {len(proposal.drafts)} sounds are left out; they stand at the end, commented out")
    if need.whole > limit:
        notes.append(
            f"whole, the sounds take {need.whole / share:.0f} s of the {capacity_s(device):.0f} s of {device.name}: "
            "the build will shorten tails, the least heard first"
        )
    return tuple(notes)


def _without_copies(proposal: Proposal) -> Proposal | None:
    """Let the last sound that needs copies be moved less: tones become roots; what still needs copies is fixed."""
    costs = {draft.name: _copies(draft, proposal) for draft in proposal.kept}
    draft = next((one for one in reversed(proposal.kept) if costs[one.name]), None)
    if draft is None:
        return None
    roots = replace(draft, plays=(0,))
    if draft.played == "tones" and _copies(roots, proposal) < costs[draft.name]:
        return _changed(proposal, roots, _ROOTS_ONLY)
    remarks = tuple(remark for remark in draft.remarks if remark != _ROOTS_ONLY)
    fixed = replace(draft, plays="fixed", remarks=remarks)
    return _changed(proposal, fixed, f"never moved: {proposal.device.name} would need copies")


def _copies(draft: Draft, proposal: Proposal) -> int:
    asks = asks_of(draft.name, draft.played, draft.pitch_class, proposal.song)
    return len(_required(draft, asks, proposal.device))


def _without_riser(proposal: Proposal) -> Proposal | None:
    if proposal.riser_of is None:
        return None
    note = f"there is no room for a riser from {proposal.riser_of}"
    return replace(proposal, riser_of=None, notes=(*proposal.notes, note))


def _without_sound(proposal: Proposal, lack: str) -> Proposal | None:
    """Leave out the last sound of the recipe that has most, so that one of each kind stays as long as possible."""
    kept = proposal.kept
    if len(kept) < 2:
        return None
    most = max(Counter(draft.guess.recipe for draft in kept).values())
    counts = Counter(draft.guess.recipe for draft in kept)
    draft = next(one for one in reversed(kept) if counts[one.guess.recipe] == most)
    return _changed(proposal, replace(draft, left_out=f"{proposal.device.name} has no {lack} left"), "")


def _changed(proposal: Proposal, draft: Draft, remark: str) -> Proposal:
    told = replace(draft, remarks=(*draft.remarks, remark)) if remark else draft
    return replace(proposal, drafts=tuple(told if one.name == draft.name else one for one in proposal.drafts))


def _placed(proposal: Proposal) -> Proposal:
    """Give every sound that is kept a slot in the kit's order; a riser comes right behind its pad."""
    slot, riser_slot, drafts = 0, 0, []
    for draft in proposal.drafts:
        if draft.left_out:
            drafts.append(draft)
            continue
        slot += 1
        drafts.append(replace(draft, slot=slot))
        if draft.name == proposal.riser_of:
            slot = riser_slot = slot + 1
    return replace(proposal, drafts=tuple(drafts), riser_slot=riser_slot)
