"""What was made lately is at hand, never more of it than the bound."""

from kitfold.pack.recent import Recent


def test_what_was_used_longest_ago_goes_first_and_is_made_again():
    made = []

    def get(key):
        return recent.get(key, lambda: made.append(key) or key * 10)

    recent = Recent(2)
    assert [get(1), get(2), get(1), get(3), get(1), get(2)] == [10, 20, 10, 30, 10, 20]
    assert made == [1, 2, 3, 2]


def test_sizes_count_and_what_passes_the_bound_alone_is_not_kept():
    made = []

    def get(text):
        return recent.get(text, lambda: made.append(text) or text)

    recent = Recent(5, len)
    for text in ("abc", "de", "abc", "abcdef", "de", "f", "abc"):
        assert get(text) == text
    assert made == ["abc", "de", "abcdef", "f", "abc"]
