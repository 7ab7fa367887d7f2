"""Mistakes in [notify], [[suppress]] and [alarms.priority]: each said with its line and what to do."""

from __future__ import annotations

from pathlib import Path

import pytest

from hissmark.site import check_site, load_site

BROKER = '[mqtt]\nhost = "127.0.0.1"\nclient_id = "x"\n[[mqtt.source]]\nfilter = "plant/+/levels"\n'
#: Long lines: one mistake a line.
# ruff: noqa: E501
REGISTER = "channel,kind,valve,group,position\nA,valve,XV-1,panel,1\nB,valve,XV-2,panel,2\n"


def folder_of(folder: Path, text: str) -> Path:
    (folder / "site.toml").write_text(f'name = "North"\n{BROKER}{text}', "utf-8")
    (folder / "register.csv").write_text(REGISTER, "utf-8")
    return folder


HOOK = '[[notify.webhook]]\nname = "log"\nurl = "http://127.0.0.1:1/x"\n'
MAIL = '[[notify.email]]\nname = "mail"\nhost = "h"\nsender = "a@x.example"\nto = ["b@x.example"]\n'
MANAGER = '[[notify.alertmanager]]\nname = "am"\nurl = "http://127.0.0.1:9093"\n'
TOPIC = '[[notify.mqtt]]\nname = "bus"\n'


def test_all_kinds_of_receivers_are_read(tmp_path: Path) -> None:
    site = load_site(folder_of(tmp_path, HOOK + MAIL + MANAGER + TOPIC))
    assert [kind for kind, _, _ in site.settings.notify.receivers] == [
        "webhook",
        "email",
        "mqtt",
        "alertmanager",
    ]


@pytest.mark.parametrize(
    ("text", "line", "field", "message"),
    [
        (HOOK + HOOK, 11, "notify.webhook.name", "'log' is already in line 8."),
        (HOOK + 'groups = ["pannel"]\n', 10, "notify.webhook.groups", "group 'pannel' is not in register.csv."),
        (HOOK + 'quiet = ["25:00-06:00"]\n', 10, "notify.webhook.quiet", "a time of day that there is not."),
        (HOOK + 'quiet = ["all night"]\n', 10, "notify.webhook.quiet", "is not of the form 22:00-06:00."),
        (HOOK + 'secret_file = "key"\n', 10, "notify.webhook.secret_file", "cannot be read"),
        (HOOK + 'priorities = ["urgent"]\n', 10, "notify.webhook.priorities", "'urgent' is not known."),
        (HOOK + 'events = ["rased"]\n', 10, "notify.webhook.events", "'rased' is not known."),
        (HOOK + "unacknowledged_for_s = -1\n", 10, "notify.webhook.unacknowledged_for_s", "out of range"),
        ('[notify]\ntime_zone = "Mars/North"\n', 8, "notify.time_zone", "not a time zone"),
        ('[notify]\npage = "leaks"\n', 8, "notify.page", "'leaks' is not an address."),
        ('[[notify.webhook]]\nname = "x"\n', 7, "notify.webhook.url", "is required but missing."),
        (HOOK.replace("http://", "http://u:p@"), 9, "notify.webhook.url", "holds a password."),
        (MAIL + 'username = "u"\n', 12, "notify.email.username", "is given without password_file."),
        (MAIL.replace("b@x.example", "bob"), 11, "notify.email.to", "'bob' is not an address."),
        (TOPIC + 'topic = "plant/{valve}/levels"\n', 9, "notify.mqtt.topic", "we would read what we publish"),
        (TOPIC + 'topic = "a/{tag}"\n', 9, "notify.mqtt.topic", "{tag} is not known"),
        (TOPIC + 'topic = "a/#"\n', 9, "notify.mqtt.topic", "not a topic that can be published to"),
        (MANAGER + "resend_s = 600\nhold_s = 900\n", 11, "notify.alertmanager.hold_s", "is not longer than"),
        ('[[suppress]]\nname = "x"\nwhen = "A < 1"\n', 9, "suppress.when", "'A' is the level of a channel"),
        ('[[suppress]]\nname = "x"\nwhen = "T"\n', 9, "suppress.when", "not of the form"),
        ('[[suppress]]\nname = "x"\nwhen = "T < 1"\nvalves = ["XV-11"]\n', 10, "suppress.valves", "'XV-11' is not in"),
        ('[[suppress]]\nname = "x"\nwhen = "T < 1"\nalarms = ["all"]\n', 10, "suppress.alarms", "'all' is not known"),
        ('[alarms.priority]\nlow_clear = "urgent"\n', 8, "alarms.priority.low_clear", "'urgent' is not known."),
        ("[alarms.priority]\nsevere_db = 9.0\n", 8, "alarms.priority.severe_db", "is not above clear_db"),
        ("[alarms.priority]\nclear_d = 9.0\n", 8, "alarms.priority.clear_d", "is not a known setting."),
    ],
)  # fmt: skip
def test_a_mistake_is_said_with_its_line(
    tmp_path: Path, text: str, line: int, field: str, message: str
) -> None:
    found = check_site(folder_of(tmp_path, text))
    said = [(p.line, p.field) for p in found if message in p.message]
    assert said == [(line, field)], [str(p) for p in found]
    assert all(p.fix for p in found)
