"""``[report]``: when a report is made by itself, and who gets it."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from hissmark.site.tables import Table

Text = Annotated[str, Field(min_length=1)]


class ReportTable(Table):
    """``[report]``: the report of the last whole period, made by itself.

    Attributes:
        every: of which period: the last whole day, week (from Monday) or month, in UTC.
        at: from which time of day on it is made (UTC); if the service is off then, after its next start.
        receivers: names of `[[notify.email]]` (they get the PDF) and `[[notify.webhook]]` (a link).
        paper: of the PDF.
        keep: how many reports stay in the database; older ones are deleted.
    """

    every: Literal["never", "day", "week", "month"] = "never"
    at: Annotated[str, Field(pattern=r"^([01]\d|2[0-3]):[0-5]\d$")] = "06:00"
    receivers: Annotated[tuple[Text, ...], Field(strict=False)] = ()
    paper: Literal["A4", "Letter"] = "A4"
    keep: Annotated[int, Field(ge=1, le=1000)] = 60
