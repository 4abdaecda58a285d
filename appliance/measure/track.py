"""The way that one told speed adds up to, beside the way that the positions went.

A speed is integrated from sample to sample, as a vector where a course comes with it. Wherever an epoch has both a
position and this speed there is a node; between two nodes both ways are known, whatever the rates of the two.
So a turn costs nothing: both are chords of the same arc.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass

from appliance.measure.geodesy import Step, step_between
from appliance.measure.steps import Place, steep_mps

SAMPLE_GAP_MOST_S = 2.5
"""From one sample of the speed to the next: over more, nothing is added up. Ours; receivers send down to every 2 s."""
COURSE_HOLD_S = 2.0
"""How long a course that is left out for once is taken to hold. Ours."""
_NODES_MOST = 120
_NODE_LEAST_S = 0.09
TURN_MOST_DEG_S = 40.0
"""No machine turns faster: 4 m of radius at 2.8 m/s. A course that does has jumped. Ours."""
SLOW_MPS = 0.3
"""Below it a receiver's course says nothing, and many leave it out."""


@dataclass(slots=True)
class Node:
    """The state of both ways at one instant. Sums are from the start of the track.

    north_m, east_m: of the velocity; path_m: of the speed; blind_m: that part of it for which no course was told;
    turned_deg: of the course, either way. settle_m: how far the position may slide after a change of quality; since_s:
    how long ago that was.
    """

    place: Place
    t_s: float
    north_m: float
    east_m: float
    path_m: float
    blind_m: float
    turned_deg: float
    velocity: tuple[float, float]
    settle_m: float
    since_s: float


@dataclass(slots=True)
class Span:
    """From one node to another. told: by the speed; gone: by the positions; angle_deg: course told less course gone."""

    seconds: float
    told_m: float
    gone_m: float
    blind_m: float
    angle_deg: float | None
    track_deg: float
    turned_deg: float
    change_mps: float
    position_m: float
    """How far `gone` may be off by what fix and decimals promise, about three sigma."""
    slid_m: float
    """The part of it that is due to a fix that settles."""


SIGMAS = 3.0
_ROOT_2 = math.sqrt(2)


def span(first: Node, last: Node) -> Span:
    """What both ways say between two nodes."""
    here, there = first.place, last.place
    seconds = there.t_s - here.t_s
    north, east = step_between(here.latitude_deg, here.longitude_deg, there.latitude_deg, there.longitude_deg)
    told_north, told_east = last.north_m - first.north_m, last.east_m - first.east_m
    told, gone = math.hypot(told_north, told_east), math.hypot(north, east)
    angle = None
    if told > 0 and gone > 0:
        cross, along = north * told_east - east * told_north, north * told_north + east * told_east
        angle = math.degrees(math.atan2(cross, along))
    before, after = here.promise, there.promise
    noise_m, drift_mps = max(before.noise_m, after.noise_m), max(before.drift_mps, after.drift_mps)
    # Whoever slides evenly, and still does after so long, does no more than this share of it in between.
    slid_m = max(first.settle_m, last.settle_m) * min(1.0, seconds / max(last.since_s, 1e-3))
    return Span(
        seconds=seconds,
        told_m=told,
        gone_m=gone,
        blind_m=last.blind_m - first.blind_m,
        angle_deg=angle,
        track_deg=math.degrees(math.atan2(east, north)),
        turned_deg=last.turned_deg - first.turned_deg,
        change_mps=math.hypot(last.velocity[0] - first.velocity[0], last.velocity[1] - first.velocity[1]),
        position_m=SIGMAS * (noise_m * _ROOT_2 + drift_mps * seconds) + max(here.grain_m, there.grain_m) + slid_m,
        slid_m=slid_m,
    )


@dataclass(slots=True)
class Leap:
    """Between two nodes the velocity told changed by more than a machine can."""

    before: Node
    after: Node

    def departed_m(self, first: Node, last: Node) -> float:
        """How far the positions between two nodes went otherwise than before the leap."""
        seconds = last.t_s - first.t_s
        north, east = step_between(*first.place.position, *last.place.position)
        return math.hypot(north - self.before.velocity[0] * seconds, east - self.before.velocity[1] * seconds)


def leaps(before: Node, after: Node) -> bool:
    """Whether the velocity told changed by more than a machine can."""
    if after.blind_m > before.blind_m:
        return False
    change_mps = math.hypot(after.velocity[0] - before.velocity[0], after.velocity[1] - before.velocity[1])
    return change_mps > steep_mps(after.t_s - before.t_s)


class Track:
    """Of one column of speed."""

    def __init__(self) -> None:
        self.nodes: deque[Node] = deque(maxlen=_NODES_MOST)
        self.leap: Leap | None = None
        """The last one."""
        self._t_s: float | None = None
        self._speed_mps = 0.0
        self._velocity = (0.0, 0.0)
        self._course_deg: float | None = None
        self._course_t_s = -math.inf
        self._blind = False
        self._north_m = self._east_m = self._path_m = self._blind_m = self._turned_deg = 0.0

    def forget(self) -> None:
        """Starts anew: what lies before is no longer compared with what comes."""
        self.nodes.clear()
        self.leap = None

    def restart(self) -> None:
        """Starts anew after a break in time."""
        self.forget()
        self._t_s = self._course_deg = None
        self._course_t_s = -math.inf

    def settled(self) -> None:
        """The fix that had changed slides no more."""
        for node in self.nodes:
            node.settle_m = 0.0

    def fresh(self, t_s: float) -> bool:
        """Whether the last sample is new enough to reckon with."""
        return self._t_s is not None and t_s - self._t_s <= SAMPLE_GAP_MOST_S

    def reckon(self, t_s: float) -> Step:
        """The way so far, carried on from the last sample to t_s."""
        more_s = t_s - self._t_s if self._t_s is not None else 0.0
        return Step(self._north_m + self._velocity[0] * more_s, self._east_m + self._velocity[1] * more_s)

    @property
    def velocity(self) -> tuple[float, float]:
        """North and east, m/s, as last told."""
        return self._velocity

    def speed(self, t_s: float, speed_mps: float, course_deg: float | None) -> None:
        """One sample of the speed."""
        blind = False
        if course_deg is None and speed_mps > SLOW_MPS:
            blind = t_s - self._course_t_s > COURSE_HOLD_S
            held = None if blind else self._course_deg
        else:
            held = course_deg
        turn = math.radians(held) if held is not None else 0.0
        size = abs(speed_mps) if held is not None else 0.0
        velocity = (size * math.cos(turn), size * math.sin(turn))
        if self._t_s is not None:
            self._add(t_s - self._t_s, speed_mps, velocity, blind, course_deg)
        self._t_s, self._speed_mps, self._velocity, self._blind = t_s, speed_mps, velocity, blind
        if course_deg is not None:
            self._course_deg, self._course_t_s = course_deg, t_s

    def _add(
        self, seconds: float, speed_mps: float, velocity: tuple[float, float], blind: bool, course_deg: float | None
    ) -> None:
        if seconds > SAMPLE_GAP_MOST_S or seconds <= 0:
            self.forget()
            return
        self._north_m += (velocity[0] + self._velocity[0]) / 2 * seconds
        self._east_m += (velocity[1] + self._velocity[1]) / 2 * seconds
        gone_m = (abs(speed_mps) + abs(self._speed_mps)) / 2 * seconds
        self._path_m += gone_m
        if blind or self._blind:
            self._blind_m += gone_m
        if course_deg is not None and self._course_deg is not None and speed_mps > SLOW_MPS:
            turned_deg = abs(math.remainder(course_deg - self._course_deg, 360))
            self._turned_deg += min(turned_deg, TURN_MOST_DEG_S * seconds)

    def node(self, place: Place, settle_m: float, since_s: float) -> Node | None:
        """A position at the instant of the last sample; None where it comes too soon after the node before."""
        if self.nodes and place.t_s - self.nodes[-1].t_s < _NODE_LEAST_S:
            return None
        node = Node(
            place,
            place.t_s,
            self._north_m,
            self._east_m,
            self._path_m,
            self._blind_m,
            self._turned_deg,
            self._velocity,
            settle_m,
            since_s,
        )
        if self.nodes and leaps(self.nodes[-1], node):
            self.leap = Leap(self.nodes[-1], node)
        self.nodes.append(node)
        return node

    def back_to(self, t_s: float) -> Node | None:
        """The last node at or before t_s; those before it are dropped. None where there is none so old."""
        nodes = self.nodes
        until_s = t_s + 1e-6
        while len(nodes) > 1 and nodes[1].place.t_s <= until_s:
            nodes.popleft()
        return nodes[0] if nodes and nodes[0].place.t_s <= until_s else None

    def since(self, t_s: float) -> Node | None:
        """The first node at or after t_s."""
        return next((node for node in self.nodes if node.t_s >= t_s - 1e-6), None)
