"""What settings may be, and that the example site shows every one of them."""

from __future__ import annotations

import dataclasses
import json
import re
import tomllib
import warnings
from pathlib import Path
from typing import Any

import pytest

from hissmark.engine.ranges import range_of
from hissmark.engine.settings import (
    AlarmSettings,
    BaselineSettings,
    CoreSettings,
    JudgeSettings,
    SignalSettings,
)
from hissmark.site import Problem, check_site, load_site
from hissmark.site.settings import (
    HttpSettings,
    LogSettings,
    MqttTable,
    SiteSettings,
    SourceSettings,
    StoreSettings,
)

EXAMPLE = Path(__file__).parents[2] / "config"
REGISTER = "channel,kind,valve,group,position\nA,valve,XV-1,panel,1\nB,valve,XV-2,panel,2\n"
CORE = {
    "signal": SignalSettings,
    "baseline": BaselineSettings,
    "judge": JudgeSettings,
    "alarms": AlarmSettings,
}
SHELL = {"mqtt": MqttTable, "http": HttpSettings, "store": StoreSettings, "log": LogSettings}


def site_of(folder: Path, settings: str) -> Path:
    (folder / "site.toml").write_text(settings, "utf-8")
    (folder / "register.csv").write_text(REGISTER, "utf-8")
    return folder


def problems_of(folder: Path, settings: str) -> list[Problem]:
    """Problems of the settings, without the remark that there is no broker."""
    return [p for p in check_site(site_of(folder, settings)) if p.field != "mqtt"]


# The example site.


def with_every_default() -> dict[str, Any]:
    """The example with every `#setting = value` line made effective."""
    text = (EXAMPLE / "site.toml").read_text("utf-8")
    return tomllib.loads(re.sub(r"^#(?=[a-z_]+ = )", "", text, flags=re.M))


def test_the_example_has_no_problem() -> None:
    assert check_site(EXAMPLE) == []


def test_the_example_shows_every_setting_of_the_computation_with_its_default() -> None:
    shown = with_every_default()
    for table, kind in CORE.items():
        assert shown[table] == dataclasses.asdict(kind()), table


@pytest.mark.parametrize(("table", "kind"), SHELL.items())
def test_the_example_shows_every_setting_of_the_service(table: str, kind: type[Any]) -> None:
    """With its default, where it has one that is a value."""
    shown = with_every_default()[table]
    assert set(shown) == set(kind.model_fields)
    for name, field in kind.model_fields.items():
        if not field.is_required() and field.default not in (None, ()):
            assert shown[name] == field.default, name


def test_the_example_shows_every_setting_of_a_source() -> None:
    sources = with_every_default()["mqtt"]["source"]
    assert {key for source in sources for key in source} == set(SourceSettings.model_fields)


def test_the_example_is_valid_with_every_default_written_out() -> None:
    SiteSettings.model_validate(with_every_default())


def test_the_settings_of_the_computation_are_the_cores_own(tmp_path: Path) -> None:
    """A site that says nothing computes with exactly the defaults of the core."""
    assert load_site(site_of(tmp_path, 'name = "x"')).core == CoreSettings()


def test_what_is_written_arrives(tmp_path: Path) -> None:
    text = 'name = "x"\n[judge]\nrise_limit_db = 4\n'
    text += '[[condition]]\nname = "on"\nwhen = "K > 1"\ngroups = ["panel"]\n'
    core = load_site(site_of(tmp_path, text)).core
    assert core.judge == JudgeSettings(rise_limit_db=4.0)
    assert isinstance(core.judge.rise_limit_db, float)
    assert [(c.name, c.when, c.groups) for c in core.conditions] == [("on", "K > 1", ("panel",))]


def test_settings_can_be_written_out_and_read_again() -> None:
    """As they are kept on record: plain JSON, without a warning."""
    settings = load_site(EXAMPLE).settings
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        written = settings.model_dump(mode="json")
    assert written["judge"]["rise_limit_db"] == 6.0
    assert written["condition"] == [
        {"name": "compressor on", "when": "K-101 > 50", "groups": ["export-header"]}
    ]
    assert SiteSettings.model_validate(json.loads(json.dumps(written))) == settings


# Ranges.


@pytest.mark.parametrize(("table", "kind"), CORE.items())
def test_every_default_of_the_computation_is_in_its_range(table: str, kind: type[Any]) -> None:
    for field in dataclasses.fields(kind):
        if dataclasses.is_dataclass(field.default):
            continue  # a table of its own
        low, high = range_of(kind, field.name)
        assert low <= field.default <= high, field.name


@pytest.mark.parametrize(
    ("table", "name"), [(t, f.name) for t, kind in CORE.items() for f in dataclasses.fields(kind)]
)
def test_no_setting_of_the_computation_may_be_negative_or_text(tmp_path: Path, table: str, name: str) -> None:
    for value in ("-1", '"5"', "true", "inf"):
        found = problems_of(tmp_path, f'name = "x"\n[{table}]\n{name} = {value}\n')
        assert [(p.line, p.field) for p in found] == [(3, f"{table}.{name}")], value


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("[signal]\ntick_s = 45\n", [(2, "signal.tick_s"), (2, "signal.tick_s")]),
        ("[signal]\nwindow_s = 330\n", [(2, "signal.window_s")]),
        ("[signal]\nslot_s = 7\n", [(2, "signal.slot_s")]),
        ("[signal]\ntick_s = 30\nwindow_s = 330\n", []),
        ("[signal]\nstale_s = 60\n", [(2, "signal.stale_s")]),
        ("[signal]\nstale_s = 61\n", []),
        ("[signal]\npatience_s = 59\n", [(2, "signal.patience_s")]),
        ("[judge]\nrise_limit_db = 3\n", [(2, "judge.rise_limit_db")]),
        ("[alarms]\ndeadband_db = 6\n", [(2, "alarms.deadband_db")]),
        ("[alarms]\ndeadband_db = 5.9\n", []),
        ("[alarms]\non_delay_s = 3600\nmax_shelve_s = 600\n", [(3, "alarms.max_shelve_s")]),
    ],
)
def test_times_and_limits_have_to_go_together(
    tmp_path: Path, text: str, expected: list[tuple[int, str]]
) -> None:
    found = problems_of(tmp_path, 'name = "x"\n' + text)
    assert [(p.line, p.field) for p in found] == [(line + 1, field) for line, field in expected]


# Broker.

BROKER = 'name = "x"\n[mqtt]\nhost = "127.0.0.1"\nclient_id = "c"\n'
SOURCE = '[[mqtt.source]]\nfilter = "plant/#"\n'


def test_a_broker_as_the_receiver_wants_it(tmp_path: Path) -> None:
    text = BROKER + 'protocol = "3.1.1"\n' + SOURCE + 'format = "json"\nname = "{2}"\ntime = "/t"\n'
    mqtt = load_site(site_of(tmp_path, text)).mqtt
    assert (mqtt.host, mqtt.port, mqtt.client_id, mqtt.protocol) == ("127.0.0.1", 1883, "c", 311)
    (source,) = mqtt.sources
    assert (source.name_template, source.value_pointer, source.time_pointer) == ("{2}", "/value", "/t")


def test_a_broker_without_sources_or_client_id_is_refused(tmp_path: Path) -> None:
    text = 'name = "x"\n[mqtt]\nhost = "127.0.0.1"\n'
    found = [(p.line, p.field) for p in check_site(site_of(tmp_path, text))]
    assert found == [(2, "mqtt.client_id"), (2, "mqtt")]


@pytest.mark.parametrize(
    ("topics", "template", "fine"),
    [
        ("plant/+/levels/+", "{1}/{3}", True),
        ("plant/+/levels", "{1}/{3}", False),
        ("plant/#", "{7}", True),
        ("$share/g/plant/+", "{1}", True),
        ("$share/g/plant/+", "{3}", False),
        ("plant/+", "fixed", False),
        ("plant/+", "{}", False),
    ],
)
def test_name_templates_against_their_filter(tmp_path: Path, topics: str, template: str, fine: bool) -> None:
    text = BROKER + f'[[mqtt.source]]\nfilter = "{topics}"\nformat = "json"\nname = "{template}"\n'
    found = [(p.line, p.field) for p in problems_of(tmp_path, text)]
    assert found == ([] if fine else [(8, "mqtt.source.name")])


@pytest.mark.parametrize(
    ("text", "field"),
    [
        ('[mqtt.source]\nfilter = "a"\n', "mqtt.source"),
        ('[condition]\nname = "a"\n', "condition"),
    ],
)
def test_single_brackets_where_a_list_is_meant(tmp_path: Path, text: str, field: str) -> None:
    found = [p for p in problems_of(tmp_path, BROKER + text) if p.field == field]
    assert [p.line for p in found] == [5]
    assert "double brackets" in found[0].fix


# Page and store.


@pytest.mark.parametrize("host", ["127.0.0.1", "::1", "[::1]", "localhost", "127.9.9.9"])
def test_this_machine_only_needs_no_word(tmp_path: Path, host: str) -> None:
    assert problems_of(tmp_path, f'name = "x"\n[http]\nhost = "{host}"\n') == []


@pytest.mark.parametrize("host", ["0.0.0.0", "::", "10.0.0.7", "plant-server"])
def test_reaching_beyond_this_machine_needs_encryption(tmp_path: Path, host: str) -> None:
    """A certificate, or a proxy that is named; see also tests/access/test_reach.py."""
    text = f'name = "x"\n[http]\nhost = "{host}"\n'
    assert [(p.line, p.severity) for p in problems_of(tmp_path, text)] == [(3, "error")]
    assert problems_of(tmp_path, text + 'trusted_proxy = ["10.0.0.0/24"]\n') == []


@pytest.mark.parametrize(
    ("url", "severities"),
    [
        ("sqlite:///data/x.db", []),
        ("postgresql+psycopg://hissmark@db/hissmark", []),
        ("postgresql+psycopg://hissmark:secret@db:5432/hissmark", ["warning"]),
        ("sqlite://", ["error"]),
        ("sqlite:///", ["error"]),
        ("sqlite:///:memory:", ["error"]),
        ("sqlite:///register.csv/x.db", ["error"]),
        ("data/x.db", ["error"]),
        ("mysql://db/x", ["error"]),
        ("postgresql+psycopg://db", ["error"]),
        ("postgresql+psycopg://db:port/x", ["error"]),
    ],
)
def test_addresses_of_the_store(tmp_path: Path, url: str, severities: list[str]) -> None:
    found = problems_of(tmp_path, f'name = "x"\n[store]\nurl = "{url}"\n')
    assert [p.severity for p in found] == severities
    assert all("secret" not in str(p) for p in found)


def test_the_environment_wins_over_the_written_store(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    site = load_site(site_of(tmp_path, 'name = "x"'))
    assert site.store_url == "sqlite:///data/hissmark.db"
    monkeypatch.setenv("HISSMARK_STORE_URL", "postgresql+psycopg://u:p@db/x")
    assert site.store_url == "postgresql+psycopg://u:p@db/x"
