"""`kitfold inspect`: figures for people and for programs, a bad file beside good ones."""

import json
import re
from dataclasses import replace

import numpy as np
import pytest
import soundfile

from kitfold.cli.inspect import shown_root
from kitfold.cli.main import _exit_code
from kitfold.measure.root import Root

RATE_HZ = 22050


def pad(hz, seconds=1.0):
    time_s = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    return sum(0.3 / n * np.sin(2 * np.pi * hz * n * time_s) for n in range(1, 7))


@pytest.fixture
def folder(tmp_path):
    soundfile.write(tmp_path / "a.wav", pad(146.8324), RATE_HZ, subtype="FLOAT")  # D3 (ISO 16)
    noise = np.random.default_rng(3).standard_normal((RATE_HZ // 2, 2)) * 0.1
    soundfile.write(tmp_path / "noise.flac", noise, RATE_HZ)
    (tmp_path / "broken.wav").write_bytes(b"RIFF nothing of the kind")
    (tmp_path / "notes.txt").write_text("no sound")
    return tmp_path


def run(capsys, *arguments):
    code = _exit_code(["inspect", *map(str, arguments)])
    captured = capsys.readouterr()
    return code, captured.out, captured.err


def test_json_has_what_the_interface_promises(folder, capsys):
    code, out, _ = run(capsys, folder / "a.wav", "--json")
    (one,) = json.loads(out)
    assert code == 0
    assert {"path", "ok", "error", "seconds", "rate_hz", "channels", "root", "lufs", "peak_db", "true_peak_db"} <= set(
        one
    )
    assert {
        "pitched",
        "note",
        "midi",
        "hz",
        "cents",
        "confidence",
        "inharmonicity",
        "alternatives",
        "drift_cents",
    } <= set(one["root"])
    assert (one["ok"], one["error"], one["seconds"], one["rate_hz"], one["channels"]) == (True, None, 1.0, RATE_HZ, 1)
    assert (one["root"]["pitched"], one["root"]["note"], one["root"]["midi"]) == (True, "D3", 50)
    assert one["root"]["hz"] == pytest.approx(146.8324, abs=0.1)  # 1 cent


def test_a_bad_file_is_reported_and_the_others_are_still_measured(folder, capsys):
    code, out, _ = run(capsys, folder / "broken.wav", folder / "a.wav", folder / "missing.wav", "--json")
    results = json.loads(out)
    assert code == 2
    assert [one["ok"] for one in results] == [False, True, False]
    assert "missing.wav does not exist" in results[2]["error"]
    assert "broken.wav" in results[0]["error"]


def test_people_see_the_table_and_the_complaint(folder, capsys):
    code, out, err = run(capsys, folder)
    assert code == 2
    assert "D3 +0 c" in out
    assert "LUFS" in out
    assert "dBTP" in out
    assert re.search(r"noise\.flac +—", out)
    assert "broken.wav" in err
    assert "notes.txt" not in out + err
    assert "Traceback" not in err


def test_a_reading_that_cannot_be_relied_on_is_shown_as_a_question():
    root = Root(False, 146.0, 50, "D3", -10.0, 0.2, 0.0, 0.0, ())
    assert shown_root(root) == "—  (reads D3?)"
    assert shown_root(replace(root, pitched=True)) == "D3 -10 c"
    assert shown_root(Root(False, None, None, None, None, 0.0, 0.0, 0.0, ())) == "—"


def test_a_second_reading_that_is_close_gets_a_footnote(tmp_path, capsys, monkeypatch):
    from kitfold.measure import portrait
    from kitfold.measure.root import find_root

    soundfile.write(tmp_path / "a.wav", pad(146.8324), RATE_HZ)

    def unsure(sound):
        found = find_root(sound)
        return replace(found, alternatives=(replace(found, hz=293.66, note="D4", midi=62, confidence=0.3),))

    monkeypatch.setattr(portrait, "find_root", unsure)
    assert "may also be D4 (30 %)" in run(capsys, tmp_path / "a.wav")[1]


def test_quiet_prints_errors_only(folder, capsys):
    code, out, err = run(capsys, folder / "a.wav", folder / "missing.wav", "--quiet")
    assert (code, out) == (2, "")
    assert "missing.wav does not exist" in err


def test_a_folder_without_sounds_is_an_error(tmp_path, capsys):
    code, out, _ = run(capsys, tmp_path, "--json")
    assert code == 2
    assert "has no sound files in it" in json.loads(out)[0]["error"]


def test_results_stand_in_the_order_asked_on_any_number_of_threads(folder, capsys):
    for number in range(6):
        soundfile.write(folder / f"s{number}.wav", pad(110.0 * 2 ** (number / 12), 0.2), RATE_HZ)
    names = [folder / f"s{number}.wav" for number in (3, 1, 5, 0, 4, 2)]
    outputs = [run(capsys, *names, "--json", "--jobs", jobs)[1] for jobs in (1, 2)]
    assert outputs[0] == outputs[1]
    assert [one["path"] for one in json.loads(outputs[0])] == [str(name) for name in names]


def test_only_as_many_files_as_threads_are_read_ahead(folder, monkeypatch):
    """Memory stays flat: no file is opened before the one `jobs` places ahead of it is done."""
    from kitfold.starter import survey

    opened = []
    real = survey.read_sound
    monkeypatch.setattr(survey, "read_sound", lambda path: (opened.append(path), real(path))[1])
    done = []
    for _ in survey.portraits([folder / "a.wav"] * 8, 2, done.append):
        assert len(opened) - len(done) <= 2
    assert len(opened) == 8


def test_a_file_name_cannot_play_tricks_on_the_terminal(tmp_path, capsys):
    path = tmp_path / "[red]x[bold]\x1b[31m.wav"
    soundfile.write(path, pad(220.0, 0.3), RATE_HZ)
    code, out, _ = run(capsys, path)
    assert code == 0
    assert "[red]x[bold]" in out.replace("\n", "")
    assert "\x1b[31m" not in out
