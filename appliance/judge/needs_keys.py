"""The keys of a needs sheet, each defined once: kind, unit, default, allowed range, meaning and source.

No source was found for controllers' minimum rates, nor for jitter, gap and age limits: they are settings.
"""

from __future__ import annotations

from appliance.judge.key import CHOICE, PRACTICE, Key, Table

STANDARD = "IEC 61162-1, as quoted in public documents"
NO_SOURCE = f"{CHOICE}: no source was found for controllers' minimum rates, nor for jitter, gap and age limits"
BAUDS = (300, 1200, 2400, 4800, 9600, 19_200, 38_400, 57_600, 115_200, 230_400, 460_800, 921_600)
INTERVALS_IN_GAP = 3  # longest gap when a message names none, in intervals; a choice of ours
ZERO = "not asked; 0 means the same"

TABLES: tuple[Table, ...] = (
    Table(
        "",
        (
            Key("title", "text", "what this sheet is for, as shown on the page", CHOICE,
                required=True, least=1, most=80),
            Key("says", "text", "where its numbers come from", CHOICE, default="", most=1000),
        ),
    ),
    Table(
        "line",
        (
            Key("baud", "whole", "speed of the line, 8N1",
                f"{STANDARD}: 4800; 38400 for IEC 61162-2; others {PRACTICE}", "baud",
                required=True, choices=BAUDS),
            Key("load_most", "number", "greatest share of the line's capacity in use", CHOICE, "ratio",
                default=0.80, least=0.01, most=1),
            Key("checksum_required", "yes-no", "whether a sentence without a checksum counts as damaged",
                STANDARD, default=True),
            Key("sentence_length_most", "whole", "longest sentence the controller takes, CR LF counted",
                f"{STANDARD}: 82", "characters", default=82, least=20, most=1024),
            Key("talkers", "texts", "talkers the controller accepts; an empty list accepts any",
                f"{STANDARD} for the codes; which are accepted is {PRACTICE}", default=(), left_out="any",
                pattern="[A-Z][A-Z0-9]", allowed_says='two capital letters each, as in ["GP", "GN"]'),
            Key("damaged_most", "whole", "damaged sentences tolerated in any 10 s", CHOICE, "sentences",
                default=0, least=0, most=1000),
            Key("silence_most_s", "number", "longest silence of the whole line", NO_SOURCE, "s", least=0.05, most=3600,
                left_out="the smallest of the longest times allowed for its messages"),
        ),
    ),
    Table(
        "message.*",
        (
            Key("rate_hz", "number", "sentences of this type in a second", NO_SOURCE, "Hz",
                required=True, least=0.01, most=100),
            Key("rate_low", "number", "tolerance below, as a share of that rate", NO_SOURCE, "ratio",
                default=0.10, least=0, most=0.99),
            Key("rate_high", "number", "tolerance above, as a share of that rate", NO_SOURCE, "ratio",
                default=0.10, least=0, most=100),
            Key("gap_most_s", "number", "longest time allowed from one sentence of this type to the next", NO_SOURCE,
                "s", least=0.01, most=3600, left_out=f"{INTERVALS_IN_GAP} intervals of that rate"),
        ),
        names="[A-Z][A-Z0-9]{2}",
        names_say="a sentence type of three capital letters without its talker, as in [message.GGA]",
    ),
    Table(
        "fix",
        (
            Key("required", "yes-no", "whether a fix (quality above 0) must be there", CHOICE, default=False),
            Key("qualities", "wholes", "quality numbers of GGA the controller accepts; an empty list accepts any",
                f"numbers: {STANDARD}; which are accepted is {PRACTICE}", default=(), least=0, most=9, left_out="any"),
            Key("age_most_s", "number", "greatest age of corrections",
                "receivers' manuals quote 15, 30 or 60 s before RTK is dropped; which to ask is a choice of ours", "s",
                least=0, most=3600, left_out=ZERO),
            Key("satellites_least", "whole", "least number of satellites in use", CHOICE, "satellites",
                least=0, most=60, left_out=ZERO),
            Key("hdop_most", "number", "greatest horizontal dilution of precision", CHOICE, "",
                least=0, most=99, left_out=ZERO),
            Key("decimals_least", "whole", "least decimals of a minute in latitude and longitude", PRACTICE,
                "decimals", least=0, most=12, left_out=ZERO),
        ),
    ),
    Table(
        "time",
        (
            Key("date_required", "yes-no", "whether a date must come, in RMC or ZDA", CHOICE, default=False),
            Key("late_most_s", "number", "how long after its time a sentence may come, by the receiver's own clock",
                NO_SOURCE, "s", default=1.0, least=0.05, most=60),
        ),
    ),
    Table(
        "truth",
        (
            Key("motion", "yes-no", "whether position, speed and course must agree", CHOICE, default=True),
            Key("clock", "yes-no", "whether the receiver's time and date must run as time does", CHOICE, default=True),
            Key("fix", "yes-no", "whether what is claimed of the fix must be consistent", CHOICE, default=True),
        ),
    ),
    Table(
        "verdict",
        (
            Key("clean_run_s", "number", "how long every check must pass before a go", CHOICE, "s",
                default=10.0, least=0, most=3600),
        ),
    ),
    Table(
        "sheet",
        (
            Key("clean_least_s", "number",
                "how long a watch must have been clean up to its end before a commissioning sheet is given for it",
                f"{CHOICE}; what a clean run proves is the rule of three (BMJ 1995;311:619)", "s",
                default=0.0, least=0, most=864_000),
        ),
    ),
)  # fmt: skip
