"""The house: no module imports one to its right, and starting costs nothing heavy."""

import ast
import os
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
import soundfile

import kitfold

PACKAGE = Path(kitfold.__file__).parent
# From left to right: a module may import its own layer and those of a lower number.
LAYERS = {
    "errors": 0, "units": 0, "sound": 0, "threads": 0, "channels": 0, "plan": 1, "steps": 2, "measure": 2,
    "render": 3, "pack": 4, "sheet": 5, "starter": 5, "cli": 6, "__main__": 7,
}  # fmt: skip
FIRST_WITH_FILES = LAYERS["render"]
HEAVY = ("numpy", "scipy", "librosa", "pedalboard", "soundfile", "soxr", "pyloudnorm", "pydantic", "rich", "jinja2")


def modules():
    return sorted(path for path in PACKAGE.rglob("*.py") if path != PACKAGE / "__init__.py")


def layer_of(path):
    return path.relative_to(PACKAGE).parts[0].removesuffix(".py")


def imported_layers(path):
    """Return every part of kitfold that a module imports, wherever in it the import stands."""
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import"
            names = [node.module] if node.module != "kitfold" else [f"kitfold.{alias.name}" for alias in node.names]
        elif isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        else:
            continue
        found |= {name.split(".")[1] for name in names if name.startswith("kitfold.")}
    return found - {"__version__"}


def test_every_part_of_the_package_has_its_place():
    assert {layer_of(path) for path in modules()} <= {*LAYERS, "files"}


@pytest.mark.parametrize("path", modules(), ids=lambda path: path.relative_to(PACKAGE).as_posix())
def test_no_module_imports_one_to_its_right(path):
    own = layer_of(path)
    for layer in imported_layers(path):
        if own == "files":
            assert layer == "files" or LAYERS[layer] <= LAYERS["plan"]
        elif layer == "files":
            assert LAYERS[own] >= FIRST_WITH_FILES
        else:
            assert LAYERS[layer] <= LAYERS[own], f"{own} imports {layer}"


def test_steps_and_the_plan_never_touch_the_clock_or_chance():
    for path in modules():
        if layer_of(path) in ("steps", "plan"):
            imports = {
                alias.name.split(".")[0]
                for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
                if isinstance(node, ast.Import)
                for alias in node.names
            }
            assert not imports & {"random", "time", "datetime", "os", "logging", "secrets"}, path


def python(code, *arguments):
    environment = {**os.environ, "PYTHONPATH": str(PACKAGE.parent)}
    return subprocess.run(
        [sys.executable, "-c", code, *arguments], capture_output=True, text=True, env=environment, check=False
    )


@pytest.mark.parametrize("arguments", [[], ["--help"], ["--version"], ["nonsense"]])
def test_starting_loads_no_heavy_library(arguments):
    code = (
        "import sys, kitfold\n"
        "if sys.argv[1:]:\n"
        "    from kitfold.cli.main import _exit_code\n"
        "    _exit_code(sys.argv[1:])\n"
        f"print(sorted(set({HEAVY}) & set(sys.modules)))\n"
    )
    done = python(code, *arguments)
    assert done.stdout.splitlines()[-1] == "[]", done.stderr


@pytest.mark.parametrize("command", ["inspect", "build"])
def test_measuring_loads_no_library_that_takes_half_a_second(tmp_path, command):
    """Only scipy's compiled loops are needed (`measure.compiled`, `measure.sections`), on versions that have them."""
    soundfile.write(tmp_path / "a.wav", 0.3 * np.sin(2 * np.pi * 220 * np.arange(44_100) / 44_100), 44_100)
    head = '[kit]\nname = "a"\ndevice = "mono8-22s"\nkey = "A minor"\n'
    kit = head + '[[sound]]\nname = "a"\nsource = "a.wav"\nrecipe = "pad"\n'
    (tmp_path / "kit.toml").write_text(kit, encoding="utf-8")
    given = {"inspect": ["a.wav"], "build": ["kit.toml"]}[command]
    code = (
        "import os, sys\n"
        "os.chdir(sys.argv[1])\n"
        "os.environ['KITFOLD_CACHE'] = 'cache'\n"
        "from kitfold.cli.main import _exit_code\n"
        "print(_exit_code(sys.argv[2:]))\n"
        "print(sorted({'scipy.signal', 'pyloudnorm', 'librosa', 'scipy.stats'} & set(sys.modules)))\n"
    )
    done = python(code, str(tmp_path), command, *given)
    assert done.stdout.splitlines()[-2:] == ["0", "[]"], done.stdout + done.stderr


def fastest_s(code, tries):
    times = []
    for _ in range(tries):
        started = time.perf_counter()
        python(code)
        times.append(time.perf_counter() - started)
    return min(times)


def test_help_starts_in_under_three_tenths_of_a_second():
    """The machine may be busy, so what counts is the cost over click alone, of which a bare start takes about 0.1 s."""
    bare_s = fastest_s("import click", 4)
    help_s = fastest_s("from kitfold.cli.main import _exit_code; _exit_code(['--help'])", 4)
    # 0.3 s is the promise; on a machine so slow that click alone takes half of that, twice click's time is allowed.
    assert help_s < max(0.3, 2 * bare_s)
