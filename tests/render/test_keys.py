"""What a key holds of the machine."""

from importlib.metadata import PackageNotFoundError, version

import pytest

from kitfold.render.keys import DISTRIBUTIONS, version_of


@pytest.mark.parametrize("name", [*DISTRIBUTIONS, "click", "jinja2", "pydantic", "rich", "kitfold"])
def test_a_version_is_the_one_that_the_library_of_the_language_says(name):
    """importlib.metadata, which reads the whole of the metadata."""
    assert version_of(name) == version(name)


def test_what_is_not_installed_has_none():
    with pytest.raises(PackageNotFoundError):
        version_of("no-such-library-of-ours")
