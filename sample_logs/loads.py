"""What is done to a string: drive, rest, charge, park, discharge; and the BMS that bleeds while it is done."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from sample_logs.curves import BOTTOM_V, TOP_V
from sample_logs.string_model import Response, String, advance, rested


@dataclass
class Bms:
    """Bleeding by a rule of thumb: above `from_V` a cell `above_mV` over the lowest one is bled.

    Attributes
    ----------
    from_V
        No bleeding while the lowest cell is below this [V]; None takes a value near the top.
    at_rest
        Whether it goes on after the charge.
    alternate
        Whether odd and even cells take turns, as where two neighbours must not be bled at once.
    always
        Cells (0-based) bled whatever the voltage says: a rule that is wrong.
    """

    from_V: float | None = None
    above_mV: float = 6.0
    at_rest: bool = True
    alternate: bool = False
    always: tuple[int, ...] = ()
    _turn: int = 0

    def flags(self, volts: np.ndarray, chemistry: str, current: float) -> np.ndarray:
        """Return which cells are bled next, from their voltages [V] and the current [A]."""
        start = self.from_V if self.from_V is not None else {"NMC": 4.05, "LFP": 3.45}[chemistry]
        on = (volts > start) & (volts > volts.min() + self.above_mV * 1e-3)
        resting = abs(current) < 1e-9
        if current > 0 or (resting and not self.at_rest):
            on[:] = False
        if self.alternate:
            self._turn += 1
            on[self._turn % 2 :: 2] = False
        on[list(self.always)] = True
        return on


@dataclass
class Trace:
    """The true course: rows at the start of each step, and where the logger was on.

    Attributes
    ----------
    seconds, current, volts, temperature, soc, bleed
        (rows,) or (rows, cells).
    spans
        kind, first row, end row, interval of the logger [s], for each stretch.
    """

    seconds: np.ndarray
    current: np.ndarray
    volts: np.ndarray
    temperature: np.ndarray
    soc: np.ndarray
    bleed: np.ndarray
    spans: list[tuple[str, int, int, float]]


@dataclass
class Bench:
    """A string on which loads are run one after the other; `trace()` gives what happened.

    Attributes
    ----------
    log_every_s
        Interval of the logger [s]; `park` and slow stretches may take their own.
    fine_s
        Step of the simulation while the load changes fast [s].
    """

    string: String
    rng: np.random.Generator
    ambient_C: float = 20.0
    log_every_s: float = 1.0
    bms: Bms | None = None
    fine_s: float = 0.1
    start_C: float | None = None
    seconds: float = 0.0
    _parts: list[tuple[float, Response, np.ndarray, float]] = field(default_factory=list)
    _spans: list[tuple[str, int, int, float]] = field(default_factory=list)
    _rows: int = 0

    def __post_init__(self) -> None:
        self.state = rested(self.string, self.ambient_C if self.start_C is None else self.start_C)
        self.volts = self.string.open_circuit(self.state.soc)
        self.flags = np.zeros(self.string.cells, dtype=bool)

    def _advance(self, current: np.ndarray, step_s: float) -> Response:
        response = advance(self.string, self.state, current, step_s, self.ambient_C, self.flags)
        self._parts.append((self.seconds, response, self.flags, step_s))
        self.seconds += step_s * len(current)
        self._rows += len(current)
        self.volts = response.volts[-1]
        if self.bms is not None:
            self.flags = self.bms.flags(self.volts, self.string.chemistry, float(current[-1]))
        return response

    def _span(self, kind: str, begin: int, log_every_s: float | None = None) -> None:
        self._spans.append((kind, begin, self._rows, log_every_s or self.log_every_s))

    def drive(self, minutes: float, rms_c: float = 0.6, regen: bool = True) -> None:
        """Stop-and-go driving; `rms_c` is the rms current over the nominal capacity [1/h]."""
        begin = self._rows
        current = stop_and_go(minutes, self.fine_s, self.rng, regen) * (rms_c * self.string.nominal_Ah)
        block = max(1, round(120.0 / self.fine_s))
        for k in range(0, len(current), block):
            self._advance(current[k : k + block], self.fine_s)
        self._span("drive", begin)

    def rest(self, hours: float, log_every_s: float | None = None) -> None:
        """Nothing flows, but for leaks and bleeding."""
        begin = self._rows
        first = min(60.0, hours * 3600)
        self._advance(np.zeros(max(1, round(first / self.fine_s))), self.fine_s)
        left = hours * 3600 - first
        step = max(self.fine_s, min(10.0, left / 20)) if left > 1 else 0.0
        count = round(left / step) if step else 0
        for k in range(0, count, 30):
            self._advance(np.zeros(min(30, count - k)), step)
        self._span("rest", begin, log_every_s)

    def park(self, days: float, log_every_s: float = 3600.0, swing_C: float = 0.0) -> None:
        """Parked, the logger waking every `log_every_s`; the air swings by +-`swing_C` over the day."""
        begin, mean = self._rows, self.ambient_C
        step = 600.0
        for _ in range(round(days * 24)):
            self.ambient_C = mean + swing_C * np.sin(2 * np.pi * self.seconds / 86400.0)
            self._advance(np.zeros(6), step)
        self.ambient_C = mean
        self._span("parked", begin, log_every_s)

    def constant(self, current_c: float, minutes: float) -> None:
        """Draw a constant current, as a multiple of the nominal capacity."""
        begin = self._rows
        step = min(self.fine_s * 5, 1.0)
        count = round(minutes * 60 / step)
        for k in range(0, count, 60):
            self._advance(np.full(min(60, count - k), current_c * self.string.nominal_Ah), step)
        self._span("constant", begin)

    def discharge(self, rate_c: float, *, until_soc: float = -1.0, until_V: float | None = None) -> None:
        """Discharge at a constant rate until the mean charge or the lowest cell reaches its end."""
        begin, stop = self._rows, BOTTOM_V[self.string.chemistry] if until_V is None else until_V
        for _ in range(200_000):
            if self.state.soc.mean() <= until_soc or self.volts.min() <= stop:
                break
            near = self.volts.min() < stop + 0.15
            self._advance(np.full(10 if near else 60, rate_c * self.string.nominal_Ah), 1.0)
        self._span("discharge", begin)

    def charge(
        self,
        rate_c: float = 0.3,
        *,
        until_V: float | None = None,
        end_c: float = 0.04,
        until_soc: float = 2.0,
        steps: tuple[tuple[float, float], ...] = (),
    ) -> None:
        """Charge at constant current, then taper with the leading cell held at `until_V`, down to `end_c`.

        `steps` of (rate, voltage) are a charger that drops its current each time the leading cell gets
        there, instead of a taper. `until_soc` breaks off early.
        """
        begin, nominal = self._rows, self.string.nominal_Ah
        top = TOP_V[self.string.chemistry] if until_V is None else until_V
        for rate, limit in steps or ((rate_c, top),):
            while self.volts.max() < limit and self.state.soc.mean() < until_soc:
                near = self.volts.max() > limit - 0.12
                self._advance(np.full(5 if near else 60, -rate * nominal), 1.0)
        if not steps and self.state.soc.mean() < until_soc:
            self._taper(rate_c * nominal, top, end_c * nominal)
        self._span("charge", begin)

    def _taper(self, start_A: float, top: float, end_A: float) -> None:
        ohm = float(np.median(self.string.r0_ohm + self.string.pairs_ohm.sum(axis=0)))
        current = start_A
        for _ in range(5000):
            current = float(np.clip(current - (self.volts.max() - top) / ohm * 0.7, 0.0, start_A))
            if current < end_A:
                break
            self._advance(np.full(10, -current), 1.0)

    def trace(self) -> Trace:
        """Return all that happened so far."""
        parts = self._parts
        seconds = [begin + step * np.arange(len(r.current)) for begin, r, _, step in parts]
        flags = [np.broadcast_to(on, r.volts.shape) for _, r, on, _ in parts]
        return Trace(
            seconds=np.concatenate(seconds),
            current=np.concatenate([r.current for _, r, _, _ in parts]),
            volts=np.concatenate([r.volts for _, r, _, _ in parts]),
            temperature=np.concatenate([r.temperature for _, r, _, _ in parts]),
            soc=np.concatenate([r.soc for _, r, _, _ in parts]),
            bleed=np.concatenate(flags),
            spans=list(self._spans),
        )


def stop_and_go(minutes: float, step_s: float, rng: np.random.Generator, regen: bool = True) -> np.ndarray:
    """Return a current of rms 1: pull away, cruise, brake, stand, over and over; positive while pulling."""
    total = max(2, round(minutes * 60 / step_s))
    level = np.zeros(total)
    at = 0
    while at < total:
        cruise = rng.uniform(0.2, 1.0)
        phases = [
            (rng.uniform(4, 12), rng.uniform(1.2, 3.2)),
            (rng.uniform(8, 70), cruise),
            (rng.uniform(2, 6), rng.uniform(1.5, 3.0) if rng.random() < 0.3 else cruise),
            (rng.uniform(3, 9), -rng.uniform(0.5, 1.6) if regen else 0.02),
            (rng.uniform(3, 25), 0.02),
        ]
        for seconds, value in phases:
            count = max(1, round(seconds / step_s))
            level[at : at + count] = value
            at += count
    width = max(1, round(0.6 / step_s))
    shape = np.convolve(level, np.ones(width) / width, mode="same")
    ripple = np.convolve(rng.normal(size=total), np.ones(max(1, round(2.0 / step_s))), mode="same")
    shape += 0.06 * ripple / max(ripple.std(), 1e-9) * (shape > 0.1)
    return shape / np.sqrt(np.mean(shape**2))
