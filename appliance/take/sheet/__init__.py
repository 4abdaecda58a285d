"""The commissioning sheet: what was needed beside what was measured in a span of a watch, to be signed."""

from dataclasses import dataclass

from appliance.take.sheet.drawing import INKS
from appliance.take.sheet.figures import Given, Progress
from appliance.take.sheet.report import CAUTIONS, Report, TooShort, build

__all__ = ["CAUTIONS", "INKS", "PDF", "Given", "Progress", "Report", "TooShort", "build"]


@dataclass(slots=True, frozen=True)
class File:
    """How the sheet is called and sent as a file."""

    suffix: str
    mimetype: str


PDF = File("-sheet.pdf", "application/pdf")
