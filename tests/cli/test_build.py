"""`kitfold build`: what it writes, what it says where, and its exit codes."""

import json
import os
import signal
import subprocess
import sys
import time

import numpy as np
import pytest
import soundfile

from kitfold.cli.main import _exit_code
from kitfold.plan.device import Device


@pytest.fixture(autouse=True)
def _traces_stay_here(monkeypatch, tmp_path):
    """A trace of a bug is written where the platform keeps logs: here, into this test's own folder."""
    import platformdirs

    monkeypatch.setattr(platformdirs, "user_log_dir", lambda _name: str(tmp_path / "logs"))


def test_a_build_holds_the_manifest_the_slots_the_masters_the_preview_and_the_take(kit_folder, run):
    done = run("build", kit_folder.kit(), "--out", kit_folder.out)
    assert done.code == 0
    folder = kit_folder.out / "reeds-mono8-22s"
    assert sorted(path.relative_to(folder).as_posix() for path in folder.rglob("*.*")) == [
        "listen/song-device.wav", "listen/song-master.wav", "listen/song.mid", "manifest.json", "masters/hit.wav",
        "masters/pad.wav", "sheet.html", "slots/01_pad.wav", "slots/02_hit.wav", "transfer/README.txt",
        "transfer/cues.csv",
        "transfer/take.wav",
    ]  # fmt: skip
    assert [path.name for path in kit_folder.out.iterdir()] == ["reeds-mono8-22s"]  # nothing is left beside it


def test_slots_are_as_the_device_stores_them_and_masters_as_the_source_came(kit_folder, run):
    run("build", kit_folder.kit(), "--out", kit_folder.out)
    slot = soundfile.info(kit_folder.out / "reeds-mono8-22s/slots/01_pad.wav")
    master = soundfile.info(kit_folder.out / "reeds-mono8-22s/masters/pad.wav")
    assert (slot.samplerate, slot.channels, slot.subtype) == (18_000, 1, "PCM_U8")
    assert (master.samplerate, master.channels, master.subtype) == (22_050, 1, "PCM_24")


def test_the_table_says_what_to_set_on_the_device(kit_folder, run):
    out = run("build", kit_folder.kit(), "--out", kit_folder.out).out
    for word in ("slot", "sound", "root", "level dB", "semitones", "length s", "memory", "changed to fit", "checks"):
        assert word in out
    assert "mono8-22s: 2 of 9 slots" in out
    assert "in " in out.splitlines()[-1]
    assert [line for line in out.splitlines() if line != line.rstrip()] == []  # as it goes into a file


def test_json_is_one_value_on_stdout_and_nothing_else(kit_folder, run):
    done = run("build", kit_folder.kit(), "--out", kit_folder.out, "--json")
    (one,) = json.loads(done.out)
    assert one["manifest"] == json.loads((kit_folder.out / "reeds-mono8-22s/manifest.json").read_text("utf-8"))
    assert one["folder"] == str(kit_folder.out / "reeds-mono8-22s")


def test_json_is_one_value_where_kits_fail_too(kit_folder, run):
    done = run("build", kit_folder.path / "gone.toml", kit_folder.kit(), "--out", kit_folder.out, "--json")
    assert done.code == 2
    failed, built = json.loads(done.out)
    assert failed["kit"] == str(kit_folder.path / "gone.toml")
    assert [one["what"] for one in failed["errors"]] == ["does not exist"]
    assert built["manifest"]["kit"]["name"] == "reeds"


def test_quiet_says_nothing(kit_folder, run):
    done = run("build", kit_folder.kit(), "--out", kit_folder.out, "--quiet")
    assert (done.code, done.out, done.err) == (0, "", "")


def test_quiet_still_says_what_went_wrong(kit_folder, run):
    done = run("build", kit_folder.path / "gone.toml", "--quiet")
    assert (done.code, done.out) == (2, "")
    assert "does not exist" in done.err


def test_without_out_builds_go_to_build(kit_folder, run):
    run("build", kit_folder.kit(), "--quiet")  # `run` works in the test's own folder
    assert (kit_folder.path / "build/reeds-mono8-22s/manifest.json").is_file()


def test_every_device_of_a_kit_gets_its_build(kit_folder, run):
    kit = kit_folder.kit(head={"device": ["mono8-22s", "mulaw8-13s"]})
    assert run("build", kit, "--out", kit_folder.out).code == 0
    assert sorted(path.name for path in kit_folder.out.iterdir()) == ["reeds-mono8-22s", "reeds-mulaw8-13s"]


def test_device_replaces_those_of_the_kit(kit_folder, run):
    assert run("build", kit_folder.kit(), "--out", kit_folder.out, "--device", "mono12-41s").code == 0
    assert [path.name for path in kit_folder.out.iterdir()] == ["reeds-mono12-41s"]


def test_a_device_that_is_too_small_does_not_keep_the_others_from_being_built(kit_folder, run):
    kit_folder.device("tiny", memory_s=0.01)
    done = run("build", kit_folder.kit(head={"device": ["tiny", "mono8-22s"]}), "--out", kit_folder.out)
    assert done.code == 1
    assert "does not fit tiny" in done.err
    assert [path.name for path in kit_folder.out.iterdir()] == ["reeds-mono8-22s"]


def test_of_many_kits_the_highest_code_counts_and_the_others_are_built(kit_folder, run):
    good = kit_folder.kit()
    kit_folder.device("tiny", memory_s=0.01)
    small = good.rename(kit_folder.path / "good.toml") and kit_folder.kit(head={"device": "tiny", "name": "small"})
    small = small.rename(kit_folder.path / "small.toml")
    good = kit_folder.path / "good.toml"
    gone = kit_folder.path / "gone.toml"
    assert run("build", good, "--out", kit_folder.out).code == 0
    assert run("build", small, good, "--out", kit_folder.out).code == 1
    assert run("build", small, gone, good, "--out", kit_folder.out).code == 2
    assert run("build", gone, small, "--out", kit_folder.out).code == 2
    assert (kit_folder.out / "reeds-mono8-22s/manifest.json").is_file()


def test_a_failing_check_ends_with_one_and_the_build_is_written(kit_folder, run, entries):
    """A hold of 8 s that no fit can keep: the source lasts 0.8 s."""
    sound = {**entries.pad, "plays": "chords", "steps": [{"step": "tune", "heard": "D3", "to": "D3"}]}
    song = {"section": [{"name": "a", "chords": ["i", "-", "-", "-"]}]}
    done = run("build", kit_folder.kit(sounds=[sound], song=song), "--out", kit_folder.out)
    assert done.code == 1
    assert "1 fail" in done.out
    assert "i in a is held 8.00 s" in " ".join(done.out.split())
    manifest = json.loads((kit_folder.out / "reeds-mono8-22s/manifest.json").read_text("utf-8"))
    assert [check["result"] for check in manifest["checks"] if check["check"] == "hold"] == ["fail"]


def test_a_bug_of_ours_ends_with_three_and_says_where_its_trace_is(kit_folder, run, monkeypatch):
    monkeypatch.setattr("kitfold.pack.kit.fit", lambda _problem: 1 / 0)
    done = run("build", kit_folder.kit(), "--out", kit_folder.out)
    assert done.code == 3
    assert "a bug of ours (ZeroDivisionError" in done.err
    trace = kit_folder.path / "logs/kitfold-trace.txt"
    assert str(trace) in done.err
    assert "ZeroDivisionError" in trace.read_text()
    assert not kit_folder.out.exists()


def test_a_bug_in_a_thread_is_a_bug_too(kit_folder, run, monkeypatch):
    monkeypatch.setattr("kitfold.render.masters.run_steps", lambda _sound, _steps: 1 / 0)
    assert run("build", kit_folder.kit(), "--out", kit_folder.out).code == 3


def test_debug_shows_the_trace(kit_folder):
    with pytest.raises(Exception, match="does not exist"):
        _exit_code(["build", str(kit_folder.path / "gone.toml"), "--debug"])


def test_an_interrupt_ends_with_130_and_leaves_the_earlier_build(kit_folder, run, monkeypatch):
    kit = kit_folder.kit()
    assert run("build", kit, "--out", kit_folder.out).code == 0
    before = kit_folder.bytes()

    def interrupted(*_arguments):
        raise KeyboardInterrupt

    monkeypatch.setattr("kitfold.pack.build.manifest_of", interrupted)
    done = run("build", kit, "--out", kit_folder.out, "--fresh")
    assert (done.code, done.out) == (130, "")
    assert kit_folder.bytes() == before


@pytest.mark.skipif(os.name == "nt", reason="signals of POSIX")
def test_a_real_interrupt_ends_with_130(kit_folder, root_folder):
    """Ctrl-C while steps run: a sound of 60 s is stacked, which takes seconds."""
    times = np.arange(60 * 22_050) / 22_050
    kit_folder.sound("long.wav", 0.3 * np.sin(2 * np.pi * 147 * times))
    stack = {"step": "stack", "intervals": [0, 7, 12, 19, 24], "spread_cents": 5}
    kit = kit_folder.kit(sounds=[{"name": "long", "source": "long.wav", "steps": [stack, stack]}])
    environment = {**os.environ, "PYTHONPATH": str(root_folder / "pipeline")}
    code = (
        "import signal\n"
        "signal.signal(signal.SIGINT, signal.default_int_handler)\n"  # a parent may have had it ignored
        "import kitfold.render.masters as m\n"
        "real = m.run_steps\n"
        "def telling(*a):\n"
        "    print('started', flush=True)\n"
        "    return real(*a)\n"
        "m.run_steps = telling\n"
        "from kitfold.cli.main import main\n"
        "main()\n"
    )
    process = subprocess.Popen(
        [sys.executable, "-c", code, "build", str(kit), "--out", str(kit_folder.out)],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=environment,
    )  # fmt: skip
    assert process.stdout.readline() == "started\n"
    time.sleep(0.1)
    process.send_signal(signal.SIGINT)
    started = time.perf_counter()
    _, err = process.communicate(timeout=60)
    assert time.perf_counter() - started < 5  # at once for a person; the steps would take much longer
    assert process.returncode == 130
    assert "interrupted" in err
    assert "Traceback" not in err
    assert not kit_folder.out.exists()


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        ([], "Usage"),
        (["biuld"], "Did you mean 'build'?"),
        (["build"], "Missing argument"),
        (["build", "kit.toml", "--jbos", "2"], "No such option"),
        (["build", "kit.toml", "--jobs", "0"], "is not in the range"),
        (["build", "kit.toml", "--jobs", "many"], "is not a valid integer"),
        (["steps", "a", "b"], "unexpected extra argument"),
    ],
)
def test_wrong_usage_ends_with_two_and_says_what_is_right(run, arguments, said):
    done = run(*arguments)
    assert done.code == 2
    assert said in done.err + done.out


def test_wrong_usage_is_json_too_where_json_is_asked_for(run):
    done = run("build", "kit.toml", "--jobs", "0", "--json")
    assert done.code == 2
    (error,) = json.loads(done.out)["errors"]
    assert error["where"] == "the command line"
    assert "is not in the range" in error["what"]


@pytest.mark.parametrize("arguments", [["--help"], ["-h"], ["--version"], ["build", "--help"], ["check", "-h"]])
def test_help_and_version_end_with_0(run, arguments):
    done = run(*arguments)
    assert done.code == 0
    assert "kitfold" in done.out


def test_names_in_brackets_are_no_markup(kit_folder, run, entries):
    """What stands in [brackets] is a style to the library that prints the tables."""
    for name in ("take [/red].wav", "a:bell:[bold].wav"):
        kit_folder.sound(name, 0.3 * np.sin(np.arange(9000) * 0.05))
        kit = kit_folder.kit(sounds=[{**entries.hit, "source": name, "steps": []}])
        for command in (["check", kit], ["build", kit, "--out", kit_folder.out]):
            assert run(*command).code == 0
        assert name in run("check", kit).out.replace("\n", "")


@pytest.mark.parametrize("encoding", ["ascii", "cp1252"])
def test_a_terminal_that_cannot_write_every_letter_gets_the_rest(kit_folder, root_folder, encoding):
    """Output sent to a file on some systems has only the letters of one code page."""
    kit = kit_folder.kit(song={"section": [{"name": "a", "chords": ["♭II", "vii°"]}]})
    environment = {**os.environ, "PYTHONPATH": str(root_folder / "pipeline"), "PYTHONIOENCODING": encoding}
    for arguments in (["check", str(kit)], ["check", str(kit), "--json"], ["recipes", "pad"]):
        done = subprocess.run(
            [sys.executable, "-m", "kitfold", *arguments], capture_output=True, env=environment, check=False
        )
        assert done.returncode == 0, done.stderr
        assert done.stdout


def test_a_reader_that_goes_away_is_no_bug(root_folder):
    environment = {**os.environ, "PYTHONPATH": str(root_folder / "pipeline")}
    process = subprocess.Popen(
        [sys.executable, "-m", "kitfold", "steps", "--json"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        env=environment,
    )
    process.stdout.close()
    err = process.stderr.read()
    process.stderr.close()
    assert process.wait() in (0, 1, 120)  # 120: Python's own code where the last flush fails
    assert b"Traceback" not in err
    assert b"bug" not in err


# Every kind of device that can be described is built for.

KINDS = [
    (bits, encoding, ending)
    for bits, encoding in ((8, "unsigned"), (8, "signed"), (12, "signed"), (16, "signed"), (24, "signed"),
                           (8, "mu-law"), (8, "a-law"), (32, "float"))
    for ending in ("wav", "aif", "raw")
    if (encoding, bits, ending) != ("signed", 8, "wav")
]  # fmt: skip


@pytest.mark.parametrize(("bits", "encoding", "ending"), KINDS)
def test_every_encoding_is_written_in_every_kind_of_file_that_holds_it(
    kit_folder, run, entries, bits, encoding, ending
):
    pattern = f"{{slot:02d}}_{{note}}_{{name}}.{ending}"
    figures = {"rate_hz": [8000, 4000], "bits": bits, "encoding": encoding, "channels": 2, "file_name": pattern,
               "memory_s": None, "memory_bytes": 200_000, "block_bytes": 512, "slot_overhead_bytes": 40,
               "slot_level": True}  # fmt: skip
    kit_folder.device("tiny", **figures)
    done = run(
        "build", kit_folder.kit(sounds=[entries.hit], head={"device": "tiny"}), "--out", kit_folder.out, "--json"
    )
    assert done.code == 0, done.err
    (one,) = json.loads(done.out)
    (slot,) = one["manifest"]["slots"]
    size = Device(name="d", slots=1, **{**figures, "rate_hz": 8000, "memory_s": None}).bytes_per_frame
    # whole blocks of 512 bytes and 40 for the slot
    assert one["manifest"]["budget"]["used"] == -(-slot["frames"] * size // 512) * 512 + 40
    assert os.path.getsize(f"{one['folder']}/{slot['file']}") == slot["bytes"] >= slot["frames"] * size


def test_two_kits_of_one_name_in_one_command_do_not_replace_each_other(kit_folder, run):
    kit = kit_folder.kit()
    done = run("build", kit, kit, "--out", kit_folder.out)
    assert done.code == 2
    assert "where an earlier kit of this command is" in done.err
    assert (kit_folder.out / "reeds-mono8-22s/manifest.json").exists()
