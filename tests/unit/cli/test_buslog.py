"""The commands that read bus logs, as a person would type them."""

from __future__ import annotations

import json
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest

from halfsplit.cli import main

LOGS = Path(__file__).resolve().parents[2] / "data/can-logs"
TRACTOR = str(LOGS / "j1939-tractor-5-sources.log.gz")
RETARDER = str(LOGS / "j1939-engine-retarder.log.gz")


def said(capsys: pytest.CaptureFixture[str], *arguments: str, status: int = 0) -> str:
    assert main(arguments) == status
    captured = capsys.readouterr()
    return captured.err if status and "--json" not in arguments else captured.out


def test_a_log_is_told_in_words(capsys: pytest.CaptureFixture[str]) -> None:
    text = said(capsys, "buslog", "read", TRACTOR)
    assert "source 0 on can1: silent from 40.79 s to 169.28 s, 128.5 s" in text
    assert text.count("silent from") == 1
    assert "Everything in the file could be read." in text


def test_codes_are_told_with_what_they_mean_and_many_at_once_point_to_what_is_shared(
    capsys: pytest.CaptureFixture[str],
) -> None:
    text = " ".join(said(capsys, "buslog", "read", RETARDER).split())
    assert "source 0 SPN 102 FMI 4: voltage too low, counted 1; active 4.5 to 61.0 s; suspect wiring" in text
    assert "supply, ground, reference or a connector, before any one of them" in text
    assert "asks for the lamps: malfunction, red stop, amber." in text
    assert "and 12 more; --json has them." in text


def test_the_same_as_data_with_stable_keys(capsys: pytest.CaptureFixture[str]) -> None:
    found = json.loads(said(capsys, "buslog", "read", RETARDER, "--json"))
    assert found["frames"] == 17674
    assert len(found["codes"]) == 32
    assert found["codes"][0] == {
        "speaker": "source 0", "kind": "active", "spn": 102, "fmi": 4, "meaning": "voltage too low",
        "wiring": "strong", "count": 1, "old_layout": False, "messages": 14, "spans": [[4.546, 60.99995]],
    }  # fmt: skip
    assert [one["group"] for one in found["long_messages"]] == [65226, 65251, 65249]


def test_joint_silences_clock_jumps_lost_packets_and_lines_that_cannot_be_read_are_told(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    lines = []
    for n in range(2000):
        at = n / 20 + (7200 if n >= 1500 else 0)
        both = 0 if 600 <= n < 700 else 1
        lines += [f"({at:.3f}) can0 18FEF1{source:02X}#0000000000000000" for source in (0, 3) if both]
        lines.append(f"({at:.3f}) can0 18FEF111#0000000000000000")
    lines[40] = "line noise"
    lines[50] = "(0.81) can0 20000004#0004000000000000"
    lines[60:63] = [
        "(1.000) can0 1CECFF00#200A0002FFCAFE00", "(1.010) can0 1CEBFF00#0201020304050607", "(1.020) can0 123#00",
    ]  # fmt: skip
    path = tmp_path / "x.log"
    path.write_text("\n".join(lines))
    text = " ".join(said(capsys, "buslog", "read", str(path), "--bit-rate", "500 kbit/s", "--messages").split())
    assert "1 place could not be read: line 41: holds no frame that can be read" in text
    assert "The recorded clock jumped forward by 2.0 h at frame" in text
    assert "2 together from 29." in text
    assert "Everybody" not in text
    assert "1 of 1 long messages of group 65226 not whole, 1 packets lost" in text
    assert "can0: 1 error frames at 0.81 s" in text
    assert "at 500 kbit/s" in text
    assert "18FEF111" in text


def test_a_bus_on_which_everybody_falls_silent_is_said_to_be_the_bus_or_the_recorder(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    times = [n / 20 for n in range(1000) if not 400 <= n < 500]
    path = tmp_path / "x.log"
    path.write_text("\n".join(f"({at:.3f}) can0 18FEF1{who}#00" for at in times for who in ("00", "03")))
    text = " ".join(said(capsys, "buslog", "read", str(path)).split())
    assert "Everybody from 19.95 s" in text
    assert "The bus itself, its common supply, or the recorder." in text


def test_names_and_values_come_from_a_dbc_file(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    dbc = tmp_path / "x.dbc"
    dbc.write_text('VERSION ""\nBU_: A\nBO_ 2364539902 Turning: 8 A\n SG_ Turns : 24|16@1+ (0.125,0) [0|0] "1/min" A\n')
    found = json.loads(said(capsys, "buslog", "read", RETARDER, "--json", "--dbc", str(dbc), "--signal", "Turns"))
    assert "Turning" in {one["name"].partition(" ")[2] for one in found["messages"]}
    (signal,) = found["signals"]
    assert (signal["unit"], signal["count"] > 100) == ("1/min", True)


def test_frames_that_do_not_fit_the_dbc_file_are_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    dbc = tmp_path / "x.dbc"
    dbc.write_text(
        'VERSION ""\nBU_: A\nBO_ 291 Panel: 2 A\n SG_ Which M : 0|8@1+ (1,0) [0|0] "" A\n'
        ' SG_ Volts m1 : 8|8@1+ (0.1,0) [0|0] "V" A\n'
    )
    log = tmp_path / "x.log"
    log.write_text("".join(f"({n / 10:.1f}) can0 123#{'01' if n % 5 else '07'}F0\n" for n in range(50)))
    arguments = ("buslog", "read", str(log), "--dbc", str(dbc), "--signal", "Volts")
    found = json.loads(said(capsys, *arguments, "--json"))
    assert (found["misfits"], found["signals"][0]["count"]) == (10, 40)
    text = " ".join(said(capsys, *arguments).split())
    assert "10 frames do not fit what the DBC file says of a signal that was asked for" in text


@pytest.mark.parametrize(
    ("arguments", "code"),
    [
        (["read", "missing.log"], "log-missing"),
        (["read", "x.txt"], "log-format"),
        (["read", TRACTOR, "--bit-rate", "250"], "bit-rate"),
        (["read", TRACTOR, "--bit-rate", "0 kbit/s"], "bit-rate"),
        (["read", TRACTOR, "--signal", "Turns"], "dbc-unreadable"),
        (["read", TRACTOR, "--dbc", TRACTOR], "dbc-unreadable"),
        (["timeline", "missing.asc"], "log-missing"),
    ],
)
def test_mistakes_end_with_their_code_and_exit_2(
    arguments: list[str], code: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert f"({code})" in said(capsys, "buslog", *arguments, status=2)


def test_a_file_without_any_frame_is_refused_with_where_and_why(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "letter.log"
    path.write_text("Dear Sir,\nplease find\n")
    text = said(capsys, "buslog", "read", str(path), status=2)
    assert "(log-empty)" in text
    assert "line 1" in text


def test_the_timeline_in_the_terminal_and_as_a_picture(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    lines = said(capsys, "buslog", "timeline", TRACTOR).splitlines()
    row = lines[0].removeprefix("source 0 on can1").lstrip(" ")
    assert lines[0].startswith("source 0 on can1 ")
    assert row.strip("█") == "x" * row.count("x")
    assert 0.6 < row.count("x") / len(row) < 0.8  # 128.5 of 186.1 s
    assert all("x" not in line for line in lines[1:5])
    out = tmp_path / "who.svg"
    assert "Wrote who spoke when" in said(capsys, "buslog", "timeline", TRACTOR, "--out", str(out))
    drawn = ET.fromstring(out.read_text("utf-8"))  # noqa: S314 - reads only what was just drawn
    texts = [one.text or "" for one in drawn.iter() if one.tag.endswith(("desc", "text"))]
    assert texts[0] == "source 0 on can1 silent 40.79 to 169.28 s."
    assert "source 163 on can2" in texts
    hatched = [one for one in drawn.iter() if one.get("fill") == "url(#silent)"]
    assert len(hatched) == 1
    before = out.read_bytes()
    assert "(timeline-there)" in said(capsys, "buslog", "timeline", TRACTOR, "--out", str(out), status=2)
    assert out.read_bytes() == before


def test_the_timeline_shows_when_codes_were_active(capsys: pytest.CaptureFixture[str]) -> None:
    found = json.loads(said(capsys, "buslog", "timeline", RETARDER, "--json"))
    assert found["rows"][-1]["label"] == "codes of source 0"
    assert found["rows"][-1]["coded"] == [[4.546, 60.99995]]
