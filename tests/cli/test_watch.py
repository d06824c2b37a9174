"""`kitfold watch`, as a process of its own: it builds what is saved, survives mistakes, and Ctrl-C ends it."""

import json
import os
import queue
import shutil
import signal
import subprocess
import sys
import threading
import time
import urllib.request

import pytest

FOLDER = "reeds-mono8-22s"
pytestmark = pytest.mark.skipif(os.name == "nt", reason="Windows sends no interrupt to another process's group of one")


class Watched:
    """A watching process, and the lines that it says on either stream, as they come."""

    def __init__(self, kit, *more):
        self.lines = queue.Queue()
        self.process = subprocess.Popen(
            [sys.executable, "-c", "import signal; signal.signal(signal.SIGINT, signal.default_int_handler)\n"
             "from kitfold.cli.main import main; main()",  # a parent in the background has it ignored
             "watch", str(kit), "--out", str(kit.parent / "build"), *more],
            stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        )  # fmt: skip
        for stream in (self.process.stdout, self.process.stderr):
            threading.Thread(target=self._read, args=(stream,), daemon=True).start()

    def _read(self, stream):
        for line in stream:
            self.lines.put(line)
        stream.close()

    def until(self, text):
        """Return the next line that has a text in it."""
        seen = []
        try:
            while text not in (line := self.lines.get(timeout=60)):
                seen.append(line)
        except queue.Empty:
            pytest.fail(f"never said {text!r}, but {''.join(seen)}")
        return line

    def ended(self):
        self.process.send_signal(signal.SIGINT)
        return self.process.wait(timeout=30)


@pytest.fixture
def watching():
    started = []

    def start(kit, *more):
        started.append(Watched(kit, *more))
        return started[-1]

    yield start
    for one in started:
        one.process.kill()
        one.process.wait()


def test_it_builds_again_what_is_saved_survives_mistakes_and_ends_with_130(kit_folder, entries, samples, watching):
    kit = kit_folder.kit()
    watch = watching(kit)
    address = watch.until("http://127.0.0.1:").split()[0]
    assert "made 01_pad, 02_hit" in watch.until("reeds-mono8-22s/ in ")
    with urllib.request.urlopen(f"{address}{FOLDER}/sheet.html") as answer:
        assert answer.read() == (kit_folder.out / FOLDER / "sheet.html").read_bytes()

    kit_folder.sound("hit.wav", samples.hit(0.3))
    line = watch.until("reeds-mono8-22s/ in ")
    assert line.startswith("hit.wav: ")
    assert line.rstrip().endswith("made 02_hit")  # and not the pad

    kit_folder.text("kit.toml", "[kit]\nnmae = 1\n")
    assert "kit.toml" in watch.until("kitfold: ")
    (kit_folder.path / "pad.wav").unlink()
    kit_folder.kit()
    assert "pad.wav does not exist" in watch.until("pad.wav")
    kit_folder.sound("pad.wav", samples.pad(hz=150.0))
    assert "made 01_pad" in watch.until("reeds-mono8-22s/ in ")

    assert watch.ended() == 130
    watch.until("interrupted")
    assert [path.name for path in kit_folder.out.iterdir()] == [FOLDER]


def test_presets_beside_the_kit_are_watched_also_those_that_are_not_there_yet(kit_folder, watching):
    kit = kit_folder.kit([{"name": "hit", "source": "hit.wav", "recipe": "hit"}])
    watch = watching(kit)
    watch.until("reeds-mono8-22s/ in ")
    kit_folder.text("hit.toml", 'about = "mine"\nsteps = [{step = "reverse"}]\n')
    assert watch.until("reeds-mono8-22s/ in ").startswith("hit.toml: ")
    kit_folder.text("hit.toml", 'about = "mine"\nsteps = [{step = "fade", in_ms = 50}]\n')
    assert watch.until("reeds-mono8-22s/ in ").startswith("hit.toml: ")


def test_a_source_in_a_folder_that_a_new_kit_names_is_watched_from_then_on(kit_folder, entries, samples, watching):
    watch = watching(kit_folder.kit([entries.hit]))
    watch.until("reeds-mono8-22s/ in ")
    (kit_folder.path / "takes").mkdir()
    shutil.copy(kit_folder.path / "pad.wav", kit_folder.path / "takes" / "deep.wav")
    kit_folder.kit([entries.hit, {**entries.pad, "source": "takes/deep.wav"}])
    watch.until("reeds-mono8-22s/ in ")
    kit_folder.sound("new.wav", samples.pad(hz=150.0))
    os.replace(kit_folder.path / "new.wav", kit_folder.path / "takes" / "deep.wav")  # as careful programs save
    assert watch.until("reeds-mono8-22s/ in ").startswith("deep.wav: ")


def test_json_is_one_value_a_line(kit_folder, samples, watching):
    watch = watching(kit_folder.kit(), "--json")
    first = json.loads(watch.until('"folders"'))
    assert (first["changed"], first["folders"]) == ([], [str(kit_folder.out / FOLDER)])
    kit_folder.sound("hit.wav", samples.hit(0.3))
    again = json.loads(watch.until('"folders"'))
    assert again["changed"] == [str(kit_folder.path / "hit.wav")]
    assert again["seconds"] > 0
    (kit_folder.path / "hit.wav").unlink()
    assert "does not exist" in json.loads(watch.until('"errors"'))["errors"][0]["what"]


def test_what_is_as_it_was_and_what_fails_is_said(kit_folder, entries, watching):
    song = {"beats_per_pattern": 1, "section": [{"name": "a", "chords": ["i"]}]}
    pad = {**entries.pad, "plays": "chords", "steps": [{"step": "tune", "heard": "D3", "to": "D3"}]}

    def kit(**changes):
        return kit_folder.kit([pad], {"key": "D minor", "tempo": 120}, song={**song, **changes})

    watch = watching(kit())
    assert "made 01_pad" in watch.until("reeds-mono8-22s/ in ")
    kit(beats_per_pattern=1.5)
    assert watch.until("reeds-mono8-22s/ in ").endswith("the slots are as they were, the rest was made again\n")
    kit(beats_per_pattern=64)  # half a minute
    assert watch.until("fails").startswith("reeds-mono8-22s: the check hold of pad fails: ")


def test_a_kit_that_is_away_for_a_moment_is_built_when_it_is_back(kit_folder, entries, watching):
    kit = kit_folder.kit()
    watch = watching(kit)
    watch.until("reeds-mono8-22s/ in ")
    away = kit.with_name("away.toml")
    os.replace(kit, away)  # some programs save so
    time.sleep(0.3)
    away.write_text(away.read_text("utf-8").replace("-20", "-21"), "utf-8")
    os.replace(away, kit)
    assert "made 01_pad" in watch.until("reeds-mono8-22s/ in ")
    os.replace(kit, away)
    assert "kit.toml is not there any more" in watch.until("kitfold: ")
    os.replace(away, kit)
    watch.until("reeds-mono8-22s/ in ")
    assert watch.process.poll() is None


@pytest.mark.parametrize("arguments", [["gone.toml"], ["kit.toml", "--port", "70000"], []])
def test_what_cannot_be_watched_ends_with_two(run, arguments):
    assert run("watch", *arguments).code == 2


def test_a_kit_with_a_mistake_from_the_start_is_watched_until_it_is_mended(kit_folder, watching):
    kit = kit_folder.text("kit.toml", "[kit]\nnmae = 1\n")
    watch = watching(kit)
    watch.until("kitfold: ")
    kit_folder.kit()
    watch.until("reeds-mono8-22s/ in ")
