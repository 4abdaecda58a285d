"""What the meter of a line must know so that needs can be judged by it."""

from __future__ import annotations

from datetime import date

from appliance.judge.needs import Needs
from appliance.measure.claims import AGE_MOST_S, HDOP_MOST, SATELLITES_LEAST
from appliance.measure.meter import MeterSettings
from appliance.measure.truth import TruthSettings
from appliance.sentence.setting import Setting


def meter_settings(
    needs: Needs, baud: int, arrival_measured: bool = True, earliest: date | None = None
) -> MeterSettings:
    """What a meter must know so that these needs can be judged by it. earliest: before it no date can be true."""
    return MeterSettings(
        baud=baud,
        arrival_measured=arrival_measured,
        checksum_required=needs.checksum_required,
        talkers=needs.talkers,
        gap_most_ns={type_: int(message.gap_most_s * 1e9) for type_, message in needs.messages.items()},
        silence_most_ns=int(needs.silence_most_s * 1e9),
        needed=Setting(needs.baud),
        truth=TruthSettings(
            rates_hz={type_: message.rate_hz for type_, message in needs.messages.items()},
            late_most_s=needs.late_most_s,
            age_most_s=needs.age_most_s or AGE_MOST_S,
            satellites_least=needs.satellites_least or SATELLITES_LEAST,
            hdop_most=needs.hdop_most or HDOP_MOST,
            earliest=earliest,
        ),
    )
