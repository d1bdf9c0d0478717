"""Commands, their helps and their defaults speak in the unit that the angler has configured."""

from __future__ import annotations

import re

import pytest
from click.testing import CliRunner

from companion import config
from companion.cli import COMMANDS, commands

METRES = re.compile(r"\d (?:m|C|m/s|km)\b(?!m)")
FEET = re.compile(r"\d (?:ft|yd|F|ft/s)\b")


@pytest.fixture(params=["feet", "metres"])
def unit(request, tmp_path, monkeypatch):
    """A configured unit."""
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path))
    file = tmp_path / "companion" / "companion.toml"
    file.parent.mkdir()
    file.write_text(
        f'units = "{request.param}"\n{_without_units(config.example_text())}',
        encoding="utf-8",
    )
    return request.param


def _without_units(text):
    return re.sub(r"(?m)^units\s*=.*\n", "", text)


@pytest.mark.parametrize("name", sorted(COMMANDS))
def test_a_help_gives_lengths_in_the_configured_unit_only(name, unit):
    told = CliRunner().invoke(commands, [name, "--help"]).output
    other = METRES if unit == "feet" else FEET
    assert not other.search(re.sub(r"0\.\d+ mm", "", told)), told
    assert not re.search(r"<[^<>]*[|][^<>]*>", told)


def test_settings_give_casts_and_speeds_in_the_configured_unit(unit):
    told = CliRunner().invoke(commands, ["settings"]).output
    assert ("ft/s" in told and "yd" in told) == (unit == "feet")
    assert (re.search(r"cast \d+ m, reeled at \d\.\d\d m/s", told) is not None) == (
        unit == "metres"
    )


def test_an_option_that_takes_two_values_shows_both_and_says_so():
    told = " ".join(CliRunner().invoke(commands, ["plan", "--help"]).output.split())
    assert "--between SHALLOW DEEP" in told
    assert "takes both" in told


def test_a_config_that_cannot_be_read_leaves_feet(tmp_path, monkeypatch):
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path))
    assert config.users_unit() == "feet"
    broken = tmp_path / "broken.toml"
    broken.write_text("units = [", encoding="utf-8")
    assert config.users_unit(broken) == "feet"
