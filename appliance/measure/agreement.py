"""Whether one told speed, and its course, agree with the positions.

Both are compared over windows of 2 to 5 s, as the decimals and the fix demand: with 4 decimals a two-point speed at
5 Hz is off by up to 3.3 km/h. What disagrees must go on doing so, also counted from where it began: one step of the
position, or one hard braking, is no disagreement.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from appliance.measure.allowance import ASKED_MPS, LAG_S, allowed_deg, differs, opposite, turns
from appliance.measure.holding import HOLDS_S, SLACK_S, Holding
from appliance.measure.spread import Spread
from appliance.measure.steps import CHANGE_S, STILL_MPS
from appliance.measure.track import SIGMAS, Node, Span, Track, span
from appliance.measure.units import Law
from appliance.measure.usual import Usual

WINDOW_S = (2.0, 5.0)
_WANTED_MPS = 0.1
"""How well the window should tell a speed: with the grain of the decimals and the noise of the fix, in m/s."""

_AFTER_SHARE = 0.5
"""And once what came since its first look disagrees the same way, by this share of what is allowed: a step of the
position does not. Ours."""
REVERSE_S = 30.0
"""How long a machine may back up before a course opposite to its track is told. Ours: a headland turn backs up for
5 to 15 s. The course over ground is that of the motion; but a receiver with two antennas may send its heading for it,
and that is opposite in reverse. See `_backs_up` for how the two are told apart at once."""
AGREED_S = 8.0
"""For how long it is remembered which way the track went when the course agreed. Ours: before a machine backs up in
a turn, a quarter of it and a stop take longer."""


@dataclass(slots=True)
class Finding:
    """What is off, since when, and by how much.

    Of a speed: measured is the ratio of told to gone, and both are in m/s. Of a course: measured is how far it is off,
    told the same with its sign, gone the course of the track, all in degrees.
    """

    since_ns: int
    seconds: float
    measured: float
    note: str
    told: float
    gone: float


class Agreement:
    """Of one column. Feed its track with speeds; then ask with each node."""

    def __init__(self) -> None:
        self.track = Track()
        self.ratios = Spread()
        self._usual = Usual()
        self.differences = Spread()
        self.speed: Finding | None = None
        self.standing: Finding | None = None
        self.course: Finding | None = None
        self.speed_asked = self.course_asked = False
        self.settled = False
        """Whether both ways agreed for a window since the fix changed: who slides to the new one does so at once."""
        self._off = Holding()
        self._still = Holding()
        self._zero: Node | None = None
        self._law = Law()
        self._law_from: Node | None = None
        self._turned = Holding()
        self._agreed: tuple[float, float] | None = None
        self._counted_s = -math.inf

    def restart(self) -> None:
        """After a break in time, or a jump: what was told stays told until it is asked again."""
        self.track.forget()
        self._zero = self._law_from = None
        for holding in (self._off, self._still, self._turned):
            if not holding.told:
                holding.clear()

    def ask(self, node: Node) -> None:
        """Compare what came until this node."""
        window_s = min(max((node.place.grain_m + node.place.promise.noise_m) / _WANTED_MPS, WINDOW_S[0]), WINDOW_S[1])
        first = self.track.back_to(node.t_s - window_s)
        if first is None:
            return
        whole = self._span(first, node)
        self._ask_standing(first, node)
        self._count(whole, first, node)
        if node.settle_m and node.since_s - whole.seconds >= CHANGE_S and not differs(whole, more_m=-whole.slid_m):
            self.settled = True
        brief = self._brief(whole, node) if window_s > WINDOW_S[0] else whole
        self._ask_speed(whole if brief is not whole and differs(whole) else brief, node)
        begin = self._leapt(first, node)
        if begin is not None:
            self._ask_course(self._span(begin, node), node, begin)
        else:
            self._ask_course(whole if brief is not whole and turns(whole) else brief, node, node)

    def _leapt(self, first: Node, node: Node) -> Node | None:
        """Where the velocity told leapt within the window, if long enough ago to be asked from there on.

        No machine leaps, nor does what a filter tells: a way across the leap is a mixture of what was right and what
        may be wrong, and only what came since says anything.
        """
        after = self.track.leap.after if self.track.leap is not None else None
        if after is None or after.t_s <= first.t_s or node.t_s - after.t_s < HOLDS_S - SLACK_S:
            return None
        return after

    def _brief(self, whole: Span, node: Node) -> Span:
        """The shortest window that is asked: what is far off shows in it sooner than in a long one."""
        first = self.track.since(node.t_s - WINDOW_S[0])
        return whole if first is None or first is node else self._span(first, node)

    def _span(self, first: Node, last: Node) -> Span:
        """What both ways say, within what this receiver usually shows; while a new fix settles, what it promises.

        Where the velocity told has leapt, but the positions run on as before, they slide no further than they depart.
        """
        part, leap = span(first, last), self.track.leap
        if not first.settle_m and not last.settle_m:
            before, after = first.place.quality, last.place.quality
            share = self._usual.share(after)
            part.position_m *= share if before == after else max(self._usual.share(before), share)
        elif leap is not None and leap.after.t_s <= first.t_s and last.t_s - leap.after.t_s <= WINDOW_S[1]:
            more_m = max(0.0, part.slid_m - leap.departed_m(first, last))
            part.slid_m -= more_m
            part.position_m -= more_m
        return part

    def _ask_standing(self, first: Node, node: Node) -> None:
        """A speed of zero while the position moves: from where it became zero on, at most a window back; and over the
        shortest window, since who sets off has stood in a longer one."""
        before = self.track.nodes[-2] if len(self.track.nodes) > 1 else None
        if before is None or node.path_m - before.path_m > STILL_MPS * (node.t_s - before.t_s):
            self._zero = None
            self._still.good(node.t_s)
        elif self._zero is None:
            self._zero = before
        elif node.t_s - self._zero.t_s > WINDOW_S[1]:
            self._zero = self.track.since(node.t_s - WINDOW_S[1]) or before
        if self._zero is not None:
            brief = self.track.since(max(node.t_s - WINDOW_S[0], self._zero.t_s)) or self._zero
            leap = self.track.leap
            leapt = leap is not None and leap.after.t_s == self._zero.t_s
            lag_m = 0.0 if leapt else LAG_S * math.hypot(*first.velocity)
            moving = [begin for begin in (self._zero, brief) if self._moves(begin, node, lag_m)]
            if moving:
                self._still.bad(moving[0])
            else:
                self._still.good(node.t_s)
        since = self._still.since
        if since is None:
            self.standing = None
            return
        self._still.told = self._still.told or self._still.long_enough(node.t_s, HOLDS_S)
        if self._still.told and self._zero is not None:
            gone_mps = span(self._zero, node).gone_m / max(node.t_s - self._zero.t_s, 0.1)
            self.standing = Finding(since.place.at_ns, node.t_s - since.t_s, 0.0, "", 0.0, gone_mps)

    def _moves(self, begin: Node, node: Node, lag_m: float) -> bool:
        part = self._span(begin, node)
        return part.gone_m > ASKED_MPS * part.seconds and differs(part, more_m=lag_m)

    def _ask_speed(self, whole: Span, node: Node) -> None:
        fastest = max(whole.told_m + whole.blind_m, whole.gone_m) / whole.seconds
        if fastest < ASKED_MPS:
            if not self._off.told:
                self._off.clear()
            return
        if self._zero is not None:  # whether the position moves meanwhile is asked above
            return
        self.speed_asked = True
        if differs(whole):
            self._off.bad(node)
        else:
            self._off.good(node.t_s)
        self.speed = self._told_speed(self._off, whole, node)

    def _told_speed(self, holding: Holding, whole: Span, node: Node) -> Finding | None:
        if holding.since is None:
            return None
        if not holding.told and not holding.long_enough(node.t_s, HOLDS_S):
            return None
        first = self.track.since(holding.since.t_s)
        if first is None or node.t_s - first.t_s < HOLDS_S - SLACK_S:
            return self.speed
        after = self._span(first, node)
        if not holding.told:
            same_way = (after.told_m > after.gone_m) == (whole.told_m > whole.gone_m)
            if not (same_way and differs(after, _AFTER_SHARE)):
                return None
            holding.told = True
            self._law, self._law_from = Law(), first
        self._learn_law(node)
        told, gone = after.told_m + after.blind_m, after.gone_m
        ratio = told / max(gone, 0.01)
        note = self._law.name(ratio, after.position_m / max(gone, told, 0.01) / SIGMAS)
        since_ns, seconds = holding.since.place.at_ns, holding.seconds(node.t_s)
        return Finding(since_ns, seconds, ratio, note, told / after.seconds, gone / after.seconds)

    def _learn_law(self, node: Node) -> None:
        if self._law_from is None:
            self._law_from = node
        elif node.t_s - self._law_from.t_s >= WINDOW_S[0]:
            part, self._law_from = span(self._law_from, node), node
            self._law.add((part.told_m + part.blind_m) / part.seconds, part.gone_m / part.seconds)

    def _count(self, whole: Span, first: Node, node: Node) -> None:
        """Windows that do not overlap, for the figures of the watch and for what is usual of this receiver."""
        if node.t_s - self._counted_s < whole.seconds - 1e-6 or whole.blind_m or whole.gone_m <= whole.seconds:
            return
        if max(whole.told_m, whole.gone_m) < ASKED_MPS * whole.seconds or self._zero is not None:
            return
        self._counted_s = node.t_s
        self.ratios.add(whole.told_m / whole.gone_m)
        self.differences.add(abs(whole.told_m - whole.gone_m) / whole.seconds)
        allowed, angle = allowed_deg(whole), whole.angle_deg
        if allowed is None or angle is None or abs(angle) > allowed or differs(whole) or node.settle_m:
            return
        turn = math.radians(angle)
        miss_m = math.hypot(whole.told_m - whole.gone_m * math.cos(turn), whole.gone_m * math.sin(turn))
        if first.place.quality == node.place.quality and self._off.since is None and self._turned.since is None:
            self._usual.add(node.place.quality, miss_m, span(first, node).position_m)

    def _ask_course(self, whole: Span, node: Node, begin: Node) -> None:
        """begin: from where on it is wrong, if it is."""
        allowed = allowed_deg(whole)
        if allowed is None or whole.angle_deg is None:
            if not self._turned.told:
                self._turned.clear()
            return
        self.course_asked = True
        if abs(whole.angle_deg) <= allowed:
            self._turned.good(node.t_s)
            if not self._turned.told:
                self._agreed = node.t_s, whole.track_deg
                self.course = None
            return
        self._turned.bad(begin)
        needed_s = REVERSE_S if opposite(whole) and self._backs_up(whole) else HOLDS_S
        if not self._turned.told and not self._turned.long_enough(node.t_s, needed_s):
            return
        first = self.track.since(self._turned.since.t_s) if self._turned.since else None
        after = self._span(first, node) if first is not None and node.t_s - first.t_s >= 0.6 else None
        if after is None or after.angle_deg is None:
            return
        least = allowed_deg(after)
        if not self._turned.told and (least is None or abs(after.angle_deg) <= least):
            return
        self._turned.told = True
        since = self._turned.since or node
        note = "reverse" if abs(after.angle_deg) > 165 else "offset"
        seconds = self._turned.seconds(node.t_s)
        self.course = Finding(
            since.place.at_ns,
            seconds,
            abs(after.angle_deg),
            note,
            after.angle_deg,
            after.track_deg,
        )

    def _backs_up(self, whole: Span) -> bool:
        """Whether it may be the machine that turned back, and not the course that turned round.

        A course that jumps while the track runs on is wrong at once. A track that turned back while the course went
        on is a machine in reverse, with a heading sent for its course. Where nothing agreed of late, nobody knows.
        """
        since = self._turned.since
        if self._agreed is None or since is None or since.t_s - self._agreed[0] > AGREED_S:
            return True
        return abs(math.remainder(whole.track_deg - self._agreed[1], 360)) > 90
