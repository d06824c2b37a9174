"""Which slot holds what."""

from hypothesis import given
from hypothesis import strategies as st

from kitfold.files import file_name_problem
from kitfold.pack.problem import Part
from kitfold.pack.slots import place, stored_name


def part(name, root=0):
    return Part(name, root, 1, 1, 1, 0.0, ())


def test_free_sounds_take_the_lowest_slots_in_the_kits_order():
    assert place([part("a"), part("b"), part("c")], {}) == (1, 2, 3)


def test_fixed_slots_are_honoured_and_the_rest_goes_around_them():
    assert place([part("a"), part("b"), part("c")], {"b": 1}) == (2, 1, 3)
    assert place([part("a"), part("b")], {"a": 9}) == (9, 1)


def test_copies_of_a_fixed_sound_are_free():
    assert place([part("a"), part("a", -5), part("a", 7), part("b")], {"a": 2, "b": 4}) == (2, 1, 3, 4)


def test_a_copy_says_how_far_it_was_moved_without_a_sign_that_files_may_not_have():
    assert (stored_name("pad", 0), stored_name("pad", 7), stored_name("pad", -12)) == ("pad", "pad_up7", "pad_down12")
    assert not file_name_problem(stored_name("pad", -12))


PARTS = st.dictionaries(st.sampled_from("abcdef"), st.sets(st.integers(-3, 3).filter(bool), max_size=3), min_size=1)


@given(sounds=PARTS, data=st.data())
def test_every_part_has_a_slot_of_its_own_within_the_device(sounds, data):
    parts = [part(name, root) for name, roots in sounds.items() for root in (0, *sorted(roots))]
    count = len(parts) + data.draw(st.integers(0, 3))  # slots of the device: at least as many as parts
    names = data.draw(st.lists(st.sampled_from(sorted(sounds)), unique=True))
    numbers = data.draw(st.lists(st.integers(1, count), unique=True, min_size=len(names), max_size=len(names)))
    fixed = dict(zip(names, numbers, strict=True))
    slots = place(parts, fixed)
    assert len(set(slots)) == len(parts)
    assert all(1 <= slot <= count for slot in slots)
    assert all(
        slot == fixed[one.name] for one, slot in zip(parts, slots, strict=True) if one.root == 0 and one.name in fixed
    )
