"""The tables of site.toml. The commented example site shows every option, its unit and its trade-off."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from hissmark.engine.settings import (
    AlarmSettings,
    BaselineSettings,
    ConditionRule,
    CoreSettings,
    JudgeSettings,
    RepairSettings,
    SignalSettings,
    SuppressRule,
)
from hissmark.site.notify_settings import NotifyTable
from hissmark.site.report_settings import ReportTable
from hissmark.site.tables import FromTable, Table

Text = Annotated[str, Field(min_length=1)]


class SourceSettings(Table):
    """One ``[[mqtt.source]]`` table: a subscription and how its payloads are read.

    `name` is a template over topic levels counted from 0, `value` and `time` are JSON Pointers; these and
    `unit` are for ``format = "json"`` only.
    """

    filter: Text
    qos: Literal[0, 1] = 1
    format: Literal["senml", "json", "sparkplug"] = "senml"
    name: str | None = None
    value: str | None = None
    time: str | None = None
    unit: Literal["", "dB", "bar", "%"] | None = None


class MqttTable(Table):
    """``[mqtt]``: the broker. File names are relative to the site folder."""

    host: Text
    client_id: Annotated[str, Field(min_length=1, max_length=256, pattern=r"^[^\x00-\x1f\x7f]+$")]
    port: Annotated[int, Field(ge=1, le=65535)] = 1883
    protocol: Literal["5", "3.1.1"] = "5"
    keepalive_s: Annotated[int, Field(ge=5, le=65535)] = 30
    session_expiry_s: Annotated[int, Field(ge=60, le=0xFFFFFFFE)] = 7 * 86_400
    receive_maximum: Annotated[int, Field(ge=1, le=65535)] = 20_000
    queue_mb: Annotated[int, Field(ge=8, le=65_536)] = 64
    connect_timeout_s: Annotated[float, Field(gt=0, le=300)] = 5.0
    username: Text | None = None
    password_file: Text | None = None
    tls: bool = False
    ca_file: Text | None = None
    cert_file: Text | None = None
    key_file: Text | None = None
    sparkplug_host: Text | None = None
    sparkplug_reorder_s: Annotated[float, Field(ge=0.1, le=3600)] = 5.0
    source: Annotated[tuple[SourceSettings, ...], Field(strict=False)] = ()


class HttpSettings(Table):
    """``[http]``: where the page, the API and the metrics are served.

    Attributes:
        host: address they are served on. Other than this machine's own it needs users (`hissmark user`), and
            encryption: a certificate, or a proxy that has one.
        port: port they are served on.
        cert_file: our certificate (PEM, with the chain below it): then they are served by HTTPS only.
        key_file: the private key to `cert_file`.
        trusted_proxy: addresses or networks of the proxy in front, whose word on who calls is believed. With
            them and without a certificate, nobody else is answered.
        session_idle_s: after this long without a request whoever signed in has to do so again.
        session_longest_s: the same, however busy they are.
    """

    host: Text = "127.0.0.1"
    port: Annotated[int, Field(ge=1, le=65535)] = 8470
    cert_file: Text | None = None
    key_file: Text | None = None
    trusted_proxy: Annotated[tuple[Text, ...], Field(strict=False)] = ()
    session_idle_s: Annotated[int, Field(ge=60, le=30 * 86_400)] = 12 * 3600
    session_longest_s: Annotated[int, Field(ge=60, le=365 * 86_400)] = 7 * 86_400


class StoreSettings(Table):
    """``[store]``: the database, the archive of older samples, and backups.

    Attributes:
        url: the database.
        archive: where older samples are filed as Parquet, by day and group: a folder (relative to the site
            folder), or any store that fsspec reaches, e.g. `s3://bucket/north`. Empty: all stay in the
            database.
        recent_days: days that samples stay in the database before they are filed. More makes looking at
            recent samples of single channels slower and the database larger.
        retention_days: how long single samples are kept, on file or not; 0 keeps them for good. Levels per
            tick, verdicts and the alarm journal always stay.
        minute_days: how long sums by minute are kept; 0 keeps them for good.
        hour_days: the same for sums by hour.
        feed_days: how long what arrives is kept once more, in order of arrival, for programs that follow it
        by `/api/v1/changes/samples`; 0: not at all.
        backup_folder: where the service makes a backup now and then; none: it makes none.
        backup_every_h: how often. backup_keep: how many stay; older ones are deleted.
    """

    url: Text = "sqlite:///data/hissmark.db"
    archive: str = "data/archive"
    recent_days: Annotated[int, Field(ge=1, le=3650)] = 3
    retention_days: Annotated[int, Field(ge=0, le=36_500)] = 0
    minute_days: Annotated[int, Field(ge=0, le=36_500)] = 1095
    hour_days: Annotated[int, Field(ge=0, le=36_500)] = 0
    feed_days: Annotated[int, Field(ge=0, le=365)] = 7
    backup_folder: Text | None = None
    backup_every_h: Annotated[int, Field(ge=1, le=8760)] = 24
    backup_keep: Annotated[int, Field(ge=1, le=1000)] = 7


class OpcUaSettings(Table):
    """``[opcua]``: the OPC UA server.

    Attributes:
        enabled: whether there is one.
        host: address it is served on.
        port: port it is served on.
        security: what a client may choose from; always signed and encrypted.
        unencrypted: whether to offer an open endpoint as well; on this machine's own address only.
    """

    enabled: bool = False
    host: Text = "127.0.0.1"
    port: Annotated[int, Field(ge=1, le=65535)] = 4840
    security: Annotated[
        tuple[Literal["Basic256Sha256", "Aes128Sha256RsaOaep", "Aes256Sha256RsaPss"], ...],
        Field(strict=False, min_length=1),
    ] = ("Basic256Sha256", "Aes128Sha256RsaOaep", "Aes256Sha256RsaPss")
    unencrypted: bool = False


_SPARKPLUG_ID = r"[^+#/\x00-\x1f\x7f]+"


class PublishSettings(Table):
    """``[publish]``: verdicts and rises out over MQTT, on the broker of ``[mqtt]``.

    Attributes:
        enabled: whether anything is published.
        prefix: what its topics begin with.
        valves: whether to publish one retained JSON object a valve.
        senml: whether to publish levels, baselines and rises as SenML, a pack for each group and tick.
        sparkplug: be a Sparkplug B edge node of this name, GROUP/NODE; none if empty.
        sparkplug_primary_host: the Sparkplug host application that the data is for. While its STATE is
            offline nothing is told; when it is back it gets what it missed, marked as historical. Empty:
            whoever listens.
    """

    enabled: bool = False
    prefix: Annotated[str, Field(min_length=1, pattern=r"^[^+#\x00-\x1f]+$")] = "hissmark"
    valves: bool = True
    senml: bool = True
    sparkplug: Annotated[str, Field(pattern=rf"^({_SPARKPLUG_ID}/{_SPARKPLUG_ID})?$")] = ""
    sparkplug_primary_host: Annotated[str, Field(pattern=rf"^({_SPARKPLUG_ID})?$")] = ""


class LogSettings(Table):
    """``[log]``: how the service reports about itself."""

    format: Literal["json", "console"] = "console"
    level: Literal["debug", "info", "warning", "error"] = "info"


class SiteSettings(Table):
    """site.toml as a whole."""

    name: Text
    mqtt: MqttTable | None = None
    http: HttpSettings = HttpSettings()
    store: StoreSettings = StoreSettings()
    opcua: OpcUaSettings = OpcUaSettings()
    publish: PublishSettings = PublishSettings()
    log: LogSettings = LogSettings()
    notify: NotifyTable = NotifyTable()
    report: ReportTable = ReportTable()
    signal: Annotated[SignalSettings, FromTable()] = SignalSettings()
    baseline: Annotated[BaselineSettings, FromTable()] = BaselineSettings()
    judge: Annotated[JudgeSettings, FromTable()] = JudgeSettings()
    alarms: Annotated[AlarmSettings, FromTable()] = AlarmSettings()
    repair: Annotated[RepairSettings, FromTable()] = RepairSettings()
    condition: Annotated[tuple[Annotated[ConditionRule, FromTable()], ...], Field(strict=False)] = ()
    suppress: Annotated[tuple[Annotated[SuppressRule, FromTable()], ...], Field(strict=False)] = ()

    @property
    def core(self) -> CoreSettings:
        """The settings of the computation."""
        return CoreSettings(
            self.signal, self.baseline, self.judge, self.alarms, self.condition, self.suppress
        )
