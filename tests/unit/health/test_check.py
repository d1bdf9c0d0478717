"""The check tries real parts, and takes nothing for good that it could not try."""

from __future__ import annotations

import itertools
import json
import os
import subprocess
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path

import msgspec
import numpy as np
import pytest

from companion import config
from companion.clock import LiveClock
from companion.events import Logged
from companion.health import check as room
from companion.health.board import board_findings
from companion.health.check import check, level_finding
from companion.health.findings import Finding, summary
from companion.record.logbook import Logbook
from companion.sensing.framing import sentence
from companion.voice.model import MODEL_FOLDER_NAME
from companion.voice.own_voice import OwnVoice, keep

COMPANION = Path(sys.executable).parent / "companion"
TALK = [
    sentence("SDDPT,5.00,0.0") + b"\r\n",
    sentence("GPGLL,4500.000,N,09300.000,W,120000.00,A") + b"\r\n",
]
NO_FIX = [sentence("SDDPT,,0.0") + b"\r\n", sentence("GPGLL,,,,,120000.00,V") + b"\r\n"]


def text_with(
    *sources: str, voice: str = 'microphone = "none"\nspeaker = "none"'
) -> str:
    example = config.example_text()
    rods = "[[lures]]" + example.partition("[[lures]]")[2]
    return (
        f"[voice]\n{voice}\n"
        + "".join(f"[[sources]]\n{source}\n" for source in sources)
        + rods
    )


def serial(device: str) -> str:
    return f'name = "sonar"\nkind = "serial"\ndevice = "{device}"\nbaud = 38400'


@pytest.fixture(autouse=True)
def no_model(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """The real model is tried by the test that is about it; loading it each time would take long."""
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "none"))


def found(text: str, data: Path, seconds: float = 1.2) -> dict[str, Finding]:
    findings = check(config.parse(text), data, LiveClock(), seconds=seconds)
    return {finding.part: finding for finding in findings}


def test_a_sonar_that_works(port, tmp_path: Path):
    device, lines = port
    lines += TALK
    seen = found(text_with(serial(device)), tmp_path)
    assert seen["source sonar"].verdict == "pass"
    assert "SDDPT" in seen["source sonar"].seen
    assert seen["depth"] == Finding("depth", "pass", "16.4 ft")
    assert seen["position"].verdict == "pass"


@pytest.mark.parametrize(
    ("lines", "source", "depth"),
    [
        ([], ("fail", "nothing came"), None),
        ([b"\xf3\x9c\x81\x42" * 20], ("fail", "no sentence"), None),
        (
            [b"\xf3$\x9c\x81B,$Ax,q,3\r\n" * 20],
            ("fail", "bytes, but no sentence"),
            None,
        ),
        (
            [b"$SDDPT,5.00,0.0\r\n", b"$SDMTW,20.0,C\r\n"],
            ("fail", "without checksums"),
            None,
        ),
        (NO_FIX, ("pass", "SDDPT"), ("warn", "sentences without a depth")),
        (
            [*TALK, sentence("IIDPT,8.00,0.0") + b"\r\n"] * 10,
            ("pass", "SDDPT"),
            (
                "warn",
                "two depths are told that differ, by SD and II; SD is listened to",
            ),
        ),
        (
            [sentence("SDDBK,,f,7.0,M,,F") + b"\r\n"],
            ("pass", "SDDBK"),
            ("warn", "told below the keel"),
        ),
        (TALK[1:], ("pass", "GPGLL"), ("warn", "no sentence tells it")),
        ([*TALK, b"$SDDPT,5.00,0.0*00\r\n"], ("warn", "damaged"), ("pass", "16.4 ft")),
    ],
)
def test_a_sonar_that_does_not(port, tmp_path: Path, lines, source, depth):
    device, sent = port
    sent += lines
    seen = found(text_with(serial(device)), tmp_path)
    assert seen["source sonar"].verdict == source[0]
    assert source[1] in seen["source sonar"].seen
    told = seen.get("depth")
    assert (told and (told.verdict, told.seen)) == depth
    assert all(f.remedy for f in seen.values() if f.verdict != "pass")


def test_without_checksums_as_configured(port, tmp_path: Path):
    device, sent = port
    sent += [b"$SDDPT,5.00,0.0\r\n"]
    assert (
        "need_checksum = false"
        in found(text_with(serial(device)), tmp_path)["source sonar"].remedy
    )
    seen = found(text_with(serial(device) + "\nneed_checksum = false"), tmp_path)
    assert seen["source sonar"].verdict == "pass"
    assert seen["depth"] == Finding("depth", "pass", "16.4 ft")


def test_a_missing_driver_is_told_from_a_wrong_pin(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    voice = 'microphone = "none"\nspeaker = "none"\nbutton = 17'
    monkeypatch.setitem(sys.modules, "gpiod", None)
    seen = found(text_with(voice=voice), tmp_path, 0.1)["button"]
    assert (seen.verdict, "gpiod" in seen.seen) == ("fail", True)
    assert "install.sh" in seen.remedy


class Zones:
    """A /sys/class of thermal zones and supply alarms."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def zone(self, n: int, degrees: float, passive: float | None = None) -> None:
        zone = self.folder / "thermal" / f"thermal_zone{n}"
        zone.mkdir(parents=True)
        (zone / "temp").write_text(f"{1000 * degrees:.0f}\n")
        for m, (kind, limit) in enumerate([("critical", 110.0), ("passive", passive)]):
            if limit is not None:
                (zone / f"trip_point_{m}_type").write_text(kind + "\n")
                (zone / f"trip_point_{m}_temp").write_text(f"{1000 * limit:.0f}\n")

    def supply(self, alarm: int) -> None:
        (self.folder / "hwmon" / "hwmon1").mkdir(parents=True)
        (self.folder / "hwmon" / "hwmon1" / "in0_lcrit_alarm").write_text(f"{alarm}\n")


@pytest.mark.parametrize(
    ("degrees", "passive", "verdict"),
    [
        (55.0, None, "pass"),
        (74.0, None, "warn"),
        (74.0, 85.0, "pass"),
        (81.0, None, "fail"),
        (86.0, 85.0, "fail"),
    ],
)
def test_a_hot_board(
    tmp_path: Path, degrees: float, passive: float | None, verdict: str
):
    zones = Zones(tmp_path)
    zones.zone(0, 40.0)
    zones.zone(1, degrees, passive)
    (heat,) = board_findings(tmp_path)
    assert (heat.part, heat.verdict) == ("heat", verdict)
    assert (verdict == "pass") != bool(heat.remedy)


@pytest.mark.parametrize(("alarm", "verdict"), [(0, "pass"), (1, "fail")])
def test_a_supply_that_sags(tmp_path: Path, alarm: int, verdict: str):
    Zones(tmp_path).supply(alarm)
    (power,) = board_findings(tmp_path)
    assert (power.part, power.verdict) == ("power", verdict)


def test_of_a_board_that_tells_nothing_nothing_is_said(tmp_path: Path):
    assert list(board_findings(tmp_path)) == []


def test_a_port_that_is_not_there(tmp_path: Path):
    seen = found(text_with(serial("/dev/no-such-port")), tmp_path)
    assert seen["source sonar"].verdict == "fail"
    assert seen["source sonar"].seen == "not there"
    assert "by-id" in seen["source sonar"].remedy


@pytest.mark.parametrize(
    ("has_driver", "remedy"), [(False, "modprobe can_raw"), (True, "ip link set can9")]
)
def test_a_bus_that_is_not_there(tmp_path: Path, monkeypatch, has_driver, remedy):
    driver = tmp_path / "can"
    if has_driver:
        driver.touch()
    monkeypatch.setattr(room, "CAN_OF_KERNEL", driver)
    bus = 'name = "bus"\nkind = "can"\ndevice = "can9"'
    seen = found(text_with(bus), tmp_path)["source bus"]
    assert seen.verdict == "fail"
    assert remedy in seen.remedy


def test_a_port_that_is_taken(port, tmp_path: Path):
    import serial as pyserial

    device, _ = port
    with pyserial.Serial(device, exclusive=True):
        seen = found(text_with(serial(device)), tmp_path, 0.3)
    assert seen["source sonar"].verdict == "fail"
    assert seen["source sonar"].seen == "in use by another program"
    assert "stop it first" in seen["source sonar"].remedy


def test_what_is_not_aboard_is_skipped_and_not_passed(tmp_path: Path):
    seen = found(text_with(), tmp_path, 0.1)
    for part in ("sources", "depth", "position", "microphone", "recogniser", "speaker"):
        assert seen[part].verdict == "skipped", part
    assert seen["speech model"].verdict == "fail"
    assert "skipped; what was skipped is not known to work" in summary(
        list(seen.values())
    )


def test_the_logbook(tmp_path: Path):
    assert found(text_with(), tmp_path, 0.1)["logbook"].verdict == "pass"
    path = tmp_path / "logbook.db"
    with Logbook(path) as book, book.begin_trip("one") as trip:
        for n in range(1, 80):
            trip.record(Logged(t=float(n), number=n, what="bite", detail="x" * 300))
    assert found(text_with(), tmp_path, 0.1)["logbook"] == Finding(
        "logbook", "pass", "sound, 1 trips"
    )
    whole = path.read_bytes()
    path.write_bytes(whole[:12_288] + bytes(4096) + whole[16_384:])
    torn = found(text_with(), tmp_path, 0.1)["logbook"]
    assert torn.verdict == "fail"
    assert "restore --salvage" in torn.remedy


def test_a_data_folder_that_cannot_be_written(tmp_path: Path):
    (tmp_path / "file").write_bytes(b"")
    seen = found(text_with(), tmp_path / "file", 0.1)
    assert seen["permissions"].verdict == "fail"
    assert "chown" in seen["permissions"].remedy


@pytest.mark.parametrize(
    ("sound", "verdict"),
    [
        (np.zeros(32_000), "fail"),
        (np.random.default_rng(1).normal(0, 100, 32_000), "pass"),
        (np.random.default_rng(1).normal(0, 12_000, 32_000), "warn"),
        (np.random.default_rng(1).integers(-1, 2, 32_000), "warn"),
    ],
)
def test_the_level_of_the_microphone(sound, verdict):
    finding = level_finding(np.asarray(sound).astype(np.int16))
    assert finding.verdict == verdict
    assert bool(finding.remedy) == (verdict != "pass")


def test_the_level_is_that_of_full_scale():
    """A full-scale sine has half the power of full scale: -3 dB."""
    sine = (np.sin(np.arange(48_000) * 0.1) * 32767).astype(np.int16)
    assert level_finding(sine).seen.startswith("-3 dB")


def test_a_microphone_that_is_not_there(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    monkeypatch.setenv("PATH", str(tmp_path))
    seen = found(
        text_with(voice='microphone = "default"\nspeaker = "default"'), tmp_path, 0.1
    )
    assert (seen["microphone"].verdict, seen["speaker"].verdict) == ("fail", "fail")


NOW = datetime(2026, 10, 3, 14, 15, tzinfo=UTC)


@pytest.mark.parametrize(
    ("wall", "gps", "verdict"),
    [
        (NOW, None, "pass"),
        (NOW, NOW + timedelta(seconds=3), "pass"),
        (NOW, NOW + timedelta(days=3), "warn"),
        (datetime(1970, 1, 1, tzinfo=UTC), None, "warn"),
    ],
)
def test_the_clock(wall, gps, verdict):
    assert room._clock(gps, wall).verdict == verdict


@pytest.mark.parametrize(
    ("off", "words"),
    [(90, "90 s"), (600, "10 minutes"), (36_000, "10 hours"), (15_000_000, "174 days")],
)
def test_how_far_the_clock_is_off_is_told_so_that_it_can_be_read(off, words):
    finding = room._clock(NOW + timedelta(seconds=off), NOW)
    assert finding.seen == f"{words} from GPS time"


def test_what_the_other_parts_take_is_no_fault_of_the_clock(
    port, tmp_path: Path, monkeypatch
):
    device, lines = port
    body = "GPRMC,141500.00,A,4500.000,N,09300.000,W,0.5,090.0,031026,,,A"
    lines.append(sentence(body) + b"\r\n")
    later = itertools.count(step=600)
    monkeypatch.setattr(
        room, "wall_clock", lambda: NOW + timedelta(seconds=next(later))
    )
    seen = found(text_with(serial(device)), tmp_path)
    assert seen["clock"] == Finding("clock", "pass", "agrees with GPS time")


def test_the_disk(tmp_path: Path):
    settings = config.parse('[recordings]\nkeep_free = "900000 GB"\n' + text_with())
    assert room._disk(settings, tmp_path).verdict == "warn"


def test_a_voice_that_was_learned_is_told_with_what_it_is_worth(monkeypatch, tmp_path):
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
    microphone = config.parse(config.example_text()).voice.microphone
    voice = OwnVoice(
        utc="2026-11-29T10:00",
        microphone=microphone,
        shift=-0.2,
        read=20,
        understood=15,
        then=18,
    )
    settings = config.parse(config.example_text())
    assert list(room._own_voice(settings)) == []
    keep(voice)
    (told,) = room._own_voice(settings)
    assert (told.verdict, told.seen) == (
        "pass", "learned on 2026-11-29: 18 of 20 phrases understood instead of 15",
    )  # fmt: skip
    keep(msgspec.structs.replace(voice, microphone="another"))
    (other,) = room._own_voice(settings)
    assert (other.verdict, other.seen) == ("warn", "learned with another: not used")
    (tmp_path / "companion" / "own-voice.json").write_text("{")
    (broken,) = room._own_voice(settings)
    assert broken.verdict == "warn"


def test_the_model_and_the_recogniser(monkeypatch: pytest.MonkeyPatch, tmp_path: Path):
    monkeypatch.delenv("XDG_DATA_HOME")
    from companion.voice.model import data_folder, is_complete

    model = data_folder() / MODEL_FOLDER_NAME
    if not is_complete(model):
        pytest.skip("no speech model was fetched")
    seen = found(text_with(), tmp_path, 0.1)
    assert seen["speech model"].verdict == seen["recogniser"].verdict == "pass"
    changed = tmp_path / "changed"
    import shutil

    shutil.copytree(model, changed)
    with (changed / "conf" / "mfcc.conf").open("a") as conf:
        conf.write("\n")
    other = config.parse(
        text_with(voice=f'model = "{changed}"\nmicrophone = "none"\nspeaker = "none"')
    )
    assert room._model(other)[1].verdict == "warn"
    woken = config.parse(
        text_with(voice='listen = "wake words"\nmicrophone = "none"\nspeaker = "none"')
    )
    assert room._recogniser(woken, model).verdict == "pass"
    unheard = config.parse(
        text_with(voice='listen = "wake words"\nwake = "kitchen zzyzx"')
    )
    finding = room._recogniser(unheard, model)
    assert (finding.verdict, finding.seen) == (
        "fail",
        "the speech model does not know zzyzx, so no command is heard",
    )
    for part in ("acoustics", "biphones"):
        with monkeypatch.context() as without:
            without.setattr(f"companion.voice.recogniser.{part}", lambda _: None)
            by_words = room._recogniser(other, changed)
        assert (by_words.verdict, by_words.seen) == (
            "warn",
            'heard "how deep", by the words alone: the model is of another make',
        )


def test_the_command_says_by_its_exit_code_what_came_of_it(port, tmp_path: Path):
    device, lines = port
    lines += TALK
    (tmp_path / "c.toml").write_text(text_with(serial(device)))
    command = [
        COMPANION,
        "check",
        "--config",
        tmp_path / "c.toml",
        "--data",
        tmp_path,
        "--seconds",
        "1",
    ]
    failed = subprocess.run(
        [*command, "--json"], capture_output=True, text=True, check=False
    )
    assert failed.returncode == 4  # the speech model is not there
    told = json.loads(failed.stdout)
    assert {f["part"]: f["verdict"] for f in told["findings"]}["source sonar"] == "pass"
    assert "skipped" in told["summary"]
    shown = subprocess.run(command, capture_output=True, text=True, check=False)
    assert shown.returncode == 4
    assert shown.stdout.splitlines()[0].startswith("pass      config")


def test_what_is_advised_where_there_is_no_config_can_be_typed(tmp_path: Path):
    home = {**os.environ, "HOME": str(tmp_path), "PATH": f"{COMPANION.parent}:/bin"}
    home.pop("XDG_CONFIG_HOME", None)
    command = [COMPANION, "check", "--seconds", "1", "--json"]
    shown = subprocess.run(command, env=home, capture_output=True, check=False)
    (config,) = (
        one for one in json.loads(shown.stdout)["findings"] if one["part"] == "config"
    )
    advised, then, _ = config["remedy"].partition(", then")
    assert then
    subprocess.run(advised, env=home, shell=True, check=True)
    assert (tmp_path / ".config/companion/companion.toml").is_file()


def test_skipped_alone_is_not_success(tmp_path: Path):
    """Everything passes but what is not aboard: exit code 6."""
    from companion.voice.model import data_folder, is_complete

    os.environ.pop("XDG_DATA_HOME", None)
    if not is_complete(data_folder() / MODEL_FOLDER_NAME):
        pytest.skip("no speech model was fetched")
    (tmp_path / "c.toml").write_text(text_with())
    command = [
        COMPANION,
        "check",
        "--config",
        tmp_path / "c.toml",
        "--data",
        tmp_path,
        "--seconds",
        "1",
    ]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 6, done.stdout
