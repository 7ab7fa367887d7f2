"""``[notify]``: who is told about alarms, how, and when not. File names are relative to the site folder."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from hissmark.site.tables import Table

Text = Annotated[str, Field(min_length=1)]
Texts = Annotated[tuple[Text, ...], Field(strict=False)]
PriorityName = Literal["low", "medium", "high"]
Priorities = Annotated[tuple[PriorityName, ...], Field(strict=False)]
AlarmName = Literal["passing", "contested", "sensor-fault"]
EventName = Literal[
    "raised", "cleared", "acknowledged", "shelved", "unshelved", "shelf-expired", "suppressed",
    "unsuppressed", "out-of-service", "returned-to-service",
]  # fmt: skip
Timeout = Annotated[float, Field(gt=0, le=120)]


class ReceiverTable(Table):
    """What every receiver has: which alarms it is told of, and when.

    Attributes:
        name: what it is called in metrics and logs; each name once.
        priorities: only alarms of these priorities; none means all.
        groups: only alarms of these groups; none means all.
        alarms: only these kinds of alarm; none means all.
        events: only these events; none means what calls for attention, and its end (`cleared`).
        quiet: times of day in which nothing is sent, e.g. `["22:00-06:00"]`, in `time_zone`. What came then
            is told once afterwards, as it stands by then.
        quiet_priorities: the priorities that quiet times hold back; others get through.
        unacknowledged_for_s: escalation: with more than 0 this receiver hears only of alarms that nobody has
            acknowledged for so long and that still stand.
    """

    name: Text
    priorities: Priorities = ()
    groups: Texts = ()
    alarms: Annotated[tuple[AlarmName, ...], Field(strict=False)] = ()
    events: Annotated[tuple[EventName, ...], Field(strict=False)] = ()
    quiet: Texts = ()
    quiet_priorities: Priorities = ("low", "medium")
    unacknowledged_for_s: Annotated[int, Field(ge=0, le=7 * 86_400)] = 0


class WebhookTable(ReceiverTable):
    """``[[notify.webhook]]``: one signed HTTP POST a message.

    Attributes:
        url: where to send, `https://` or `http://`.
        secret_file: file that holds the key of the signature (HMAC-SHA256); without it nothing is signed.
        ca_file: authority that signed the server's certificate (PEM); without it the usual ones.
        timeout_s: longest wait for the answer.
    """

    url: Text
    secret_file: Text | None = None
    ca_file: Text | None = None
    timeout_s: Timeout = 10.0


class EmailTable(ReceiverTable):
    """``[[notify.email]]``: e-mail through an SMTP server; what is due together goes into one message.

    Attributes:
        host: the mail server.
        port: its port: 587 is usual with starttls, 465 with tls, 25 with none.
        tls: encryption: `starttls`, `tls` from the first byte, or `none`.
        username: the user the server knows us as; none means without signing in.
        password_file: file that holds the password alone.
        ca_file: authority that signed the server's certificate (PEM); without it the usual ones.
        sender: address it comes from.
        to: addresses it goes to.
        timeout_s: longest wait for the server.
    """

    host: Text
    port: Annotated[int, Field(ge=1, le=65535)] = 587
    tls: Literal["starttls", "tls", "none"] = "starttls"
    username: Text | None = None
    password_file: Text | None = None
    ca_file: Text | None = None
    sender: Text
    to: Annotated[tuple[Text, ...], Field(strict=False, min_length=1)]
    timeout_s: Timeout = 20.0


class MqttReceiverTable(ReceiverTable):
    """``[[notify.mqtt]]``: a JSON message on the site's own broker.

    Attributes:
        topic: where to publish; `{group}`, `{valve}`, `{alarm}` and `{priority}` are filled in.
        retain: whether the broker keeps the newest message of each topic for those who come later.
        timeout_s: longest wait for the broker's acknowledgement (QoS 1).
    """

    topic: Text = "hissmark/alarms/{group}/{valve}/{alarm}"
    retain: bool = False
    timeout_s: Timeout = 10.0


class AlertmanagerTable(ReceiverTable):
    """``[[notify.alertmanager]]``: alerts through the Alertmanager API, version 2.

    Attributes:
        url: address of the server, without `/api/v2`.
        username: user of basic authentication, if it asks for one.
        password_file: file that holds its password alone.
        ca_file: authority that signed the server's certificate (PEM); without it the usual ones.
        resend_s: how often alerts that stand are sent again, so that a server that lost its memory learns of
            them.
        hold_s: how long an alert stands when nothing more is heard from us. Long on purpose: silence of this
            service is no repair.
        timeout_s: longest wait for the answer.
    """

    url: Text
    username: Text | None = None
    password_file: Text | None = None
    ca_file: Text | None = None
    resend_s: Annotated[int, Field(ge=10, le=3600)] = 60
    hold_s: Annotated[int, Field(ge=300, le=7 * 86_400)] = 86_400
    timeout_s: Timeout = 10.0


class NotifyTable(Table):
    """``[notify]``: what holds for all receivers.

    Attributes:
        page: address of the page as people reach it; messages link to it.
        time_zone: zone of the quiet times, e.g. `Europe/Oslo`.
        max_age_s: what happened longer ago than this is not told any more: it is history, on the page.
        give_up_s: how long a message is tried before it is given up and counted.
    """

    page: Text | None = None
    time_zone: Text = "UTC"
    max_age_s: Annotated[int, Field(ge=60, le=30 * 86_400)] = 86_400
    give_up_s: Annotated[int, Field(ge=60, le=30 * 86_400)] = 3 * 86_400
    webhook: Annotated[tuple[WebhookTable, ...], Field(strict=False)] = ()
    email: Annotated[tuple[EmailTable, ...], Field(strict=False)] = ()
    mqtt: Annotated[tuple[MqttReceiverTable, ...], Field(strict=False)] = ()
    alertmanager: Annotated[tuple[AlertmanagerTable, ...], Field(strict=False)] = ()

    @property
    def receivers(self) -> tuple[tuple[str, int, ReceiverTable], ...]:
        """Every receiver with the name of its table and its place in it."""
        kinds = (("webhook", self.webhook), ("email", self.email), ("mqtt", self.mqtt),
                 ("alertmanager", self.alertmanager))  # fmt: skip
        return tuple((kind, i, row) for kind, rows in kinds for i, row in enumerate(rows))
