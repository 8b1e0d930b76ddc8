"""The measuring chain: from what the string did to what a logger writes, with the habits and faults of loggers."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from scipy.signal import lfilter

from sample_logs.loads import Trace

WANDER_S = 300.0
"""Time constant with which a floating tap wanders [s]."""


@dataclass(frozen=True)
class Logged:
    """A log as arrays; NaN where a reading is missing.

    Attributes
    ----------
    seconds, current, volts, temperature, pack_V
        (rows,), (rows, cells) or (rows, sensors) [s, A, V, degC, V]; `pack_V` None where not logged.
    bleed
        (rows, cells) commanded; None where not logged.
    volt_step
        Step of the readings [V].
    """

    seconds: np.ndarray
    current: np.ndarray
    volts: np.ndarray
    temperature: np.ndarray
    bleed: np.ndarray | None
    pack_V: np.ndarray | None
    volt_step: float


@dataclass(frozen=True)
class SensorFault:
    """A temperature sensor at fault: ``open``, ``short``, ``stuck``, ``offset`` (`size` in K), ``beta``."""

    sensor: int
    kind: str
    size: float = 0.0


@dataclass
class Meter:
    """Settings of the measuring chain.

    Attributes
    ----------
    volt_step, volt_noise, current_step, current_noise, temperature_step, temperature_noise
        Steps and white noise (1 sd) [V, A, K].
    current_gain, current_zero, current_lag_s
        Reading = gain x true + zero; lag positive = current is read late.
    scan_s
        Time from the first to the last channel of one scan: cells are not read together.
    average_s
        The BMS averages voltages over this long.
    refresh_s
        Voltages are renewed only this often; between, the old ones stand.
    missing, held, lost
        Fraction of rows that are missing; of rows in which the old voltages stand; of single readings that
        are missing.
    gaps
        (begin, length) as fractions of the log, in which nothing was logged.
    channel_offset, channel_gain
        Per cell [V, factor]; None = none.
    stuck
        Cell (0-based) -> fraction of the log from which its reading stands still.
    open_taps
        Tap (0 = pack negative) -> size of the wander [V]; the tap between cells k and k+1 (from 1) is k.
    wire_ohm, tap_ohm
        Resistance of every sense wire; more of it at single taps (tap -> ohm).
    swapped_taps, swapped_labels
        Taps (k, k+1), and pairs of cells (0-based), that changed places.
    sensor_faults
        Temperature sensors at fault.
    pack_voltage, bleed_flags
        Whether the logger has these columns.
    """

    volt_step: float = 0.001
    volt_noise: float = 0.0005
    current_step: float = 0.1
    current_noise: float = 0.3
    current_gain: float = 1.0
    current_zero: float = 0.0
    current_lag_s: float = 0.0
    scan_s: float = 0.0
    average_s: float = 0.0
    refresh_s: float = 0.0
    missing: float = 0.0
    held: float = 0.0
    lost: float = 0.0
    gaps: tuple[tuple[float, float], ...] = ()
    channel_offset: np.ndarray | None = None
    channel_gain: np.ndarray | None = None
    stuck: dict[int, float] = field(default_factory=dict)
    open_taps: dict[int, float] = field(default_factory=dict)
    wire_ohm: float = 0.03
    tap_ohm: dict[int, float] = field(default_factory=dict)
    swapped_taps: tuple[int, ...] = ()
    swapped_labels: tuple[tuple[int, int], ...] = ()
    temperature_step: float = 0.1
    temperature_noise: float = 0.05
    sensor_faults: tuple[SensorFault, ...] = ()
    pack_voltage: bool = True
    bleed_flags: bool = True

    def read(
        self, trace: Trace, rng: np.random.Generator, sensors: list[np.ndarray], outside_ohm: float
    ) -> Logged:
        """Return the log of `trace`: `sensors` are the cells near each sensor, `outside_ohm` as in String."""
        times = self._times(trace, rng)
        volts = self._volts(trace, times, rng)
        current = np.interp(times - self.current_lag_s, trace.seconds, trace.current)
        current = self.current_gain * current + self.current_zero
        current = _step(current + rng.normal(0, self.current_noise, len(times)), self.current_step)
        pack = None
        if self.pack_voltage:
            true = np.interp(times, trace.seconds, trace.volts.sum(axis=1) - outside_ohm * trace.current)
            pack = _step(true + rng.normal(0, 0.02, len(times)), 0.1)
        row = np.clip(np.searchsorted(trace.seconds, times, side="right") - 1, 0, None)
        return Logged(
            seconds=times,
            current=current,
            volts=volts,
            temperature=self._temperature(trace, times, rng, sensors),
            bleed=trace.bleed[row] if self.bleed_flags and trace.bleed.any() else None,
            pack_V=pack,
            volt_step=self.volt_step,
        )

    def _times(self, trace: Trace, rng: np.random.Generator) -> np.ndarray:
        out: list[np.ndarray] = []
        for _, begin, end, every in trace.spans:
            if end <= begin:
                continue
            stop = trace.seconds[end] if end < len(trace.seconds) else trace.seconds[-1]
            first = trace.seconds[begin] if not out else max(trace.seconds[begin], out[-1][-1] + every)
            out.append(np.arange(first, stop, every))
            out = [part for part in out if len(part)]
        times = np.concatenate(out)
        keep = rng.random(len(times)) >= self.missing
        for begin, length in self.gaps:
            share = np.arange(len(times)) / len(times)
            keep &= (share < begin) | (share >= begin + length)
        keep[0] = True
        return times[keep]

    def _volts(self, trace: Trace, times: np.ndarray, rng: np.random.Generator) -> np.ndarray:
        n = trace.volts.shape[1]
        true = trace.volts
        if self.average_s:
            true = _trailing_mean(trace.seconds, true, self.average_s)
        read_at = times if not self.refresh_s else np.floor(times / self.refresh_s) * self.refresh_s
        skew = np.linspace(0.0, self.scan_s, n)
        volts = np.column_stack([np.interp(read_at + skew[i], trace.seconds, true[:, i]) for i in range(n)])
        row = np.clip(np.searchsorted(trace.seconds, read_at, side="right") - 1, 0, None)
        volts += self._wires(trace.bleed[row] * volts, n)
        volts = self._miswired(volts, read_at, trace.bleed[row], rng)
        noise = rng.normal(0, self.volt_noise, volts.shape)
        stale = np.zeros(len(times), dtype=bool)
        if self.refresh_s:
            stale[1:] = read_at[1:] == read_at[:-1]
        if self.held:
            stale[1:] |= rng.random(len(times) - 1) < self.held
        volts = _hold(_step(volts + noise, self.volt_step), stale)
        for cell, share in self.stuck.items():
            first = int(share * len(times))
            volts[first:, cell] = volts[first, cell]
        if self.lost:
            volts[rng.random(volts.shape) < self.lost] = np.nan
        return volts

    def _miswired(
        self, volts: np.ndarray, read_at: np.ndarray, bleed: np.ndarray, rng: np.random.Generator
    ) -> np.ndarray:
        """Return the voltages as open and swapped wires and the channels' own errors leave them [V]."""
        n = volts.shape[1]
        for tap, size in self.open_taps.items():
            wander = _wander(read_at, bleed, tap, size, rng)
            if tap > 0:
                volts[:, tap - 1] += wander
            if tap < n:
                volts[:, tap] -= wander
        for tap in self.swapped_taps:
            volts = _swap_taps(volts, tap)
        for a, b in self.swapped_labels:
            volts[:, [a, b]] = volts[:, [b, a]]
        if self.channel_gain is not None:
            volts = volts * self.channel_gain
        if self.channel_offset is not None:
            volts = volts + self.channel_offset
        return volts

    def _wires(self, bled_V: np.ndarray, n: int) -> np.ndarray:
        """Voltage [V] that bleed currents drop in the sense wires; `bled_V` is 0 where a cell is not bled."""
        amps = np.zeros((len(bled_V), n + 2))
        amps[:, 1:-1] = bled_V / 33.0
        ohms = np.full(n + 1, self.wire_ohm)
        for tap, extra in self.tap_ohm.items():
            ohms[tap] += extra
        drop = ohms * (
            amps[:, :-1] - amps[:, 1:]
        )  # out of the tap between cell k and k+1: that of k less that of k+1
        return drop[:, :-1] - drop[:, 1:]

    def _temperature(
        self, trace: Trace, times: np.ndarray, rng: np.random.Generator, sensors: list[np.ndarray]
    ) -> np.ndarray:
        out = np.empty((len(times), len(sensors)))
        for j, near in enumerate(sensors):
            out[:, j] = np.interp(times, trace.seconds, trace.temperature[:, near].mean(axis=1))
        for fault in self.sensor_faults:
            out[:, fault.sensor] = _faulty(out[:, fault.sensor], fault)
        still = [f.sensor for f in self.sensor_faults if f.kind in ("open", "short", "stuck")]
        noise = rng.normal(0, self.temperature_noise, out.shape)
        noise[:, still] = 0.0
        return _step(out + noise, self.temperature_step)


def _step(values: np.ndarray, step: float) -> np.ndarray:
    return np.round(values / step) * step + 0.0  # no minus nought


def _trailing_mean(seconds: np.ndarray, values: np.ndarray, width_s: float) -> np.ndarray:
    """Return the mean over the last `width_s`, as a BMS that averages has it."""
    area = np.zeros_like(values)
    area[1:] = np.cumsum(values[:-1] * np.diff(seconds)[:, None], axis=0)
    back = np.maximum(seconds - width_s, seconds[0])
    then = np.column_stack([np.interp(back, seconds, area[:, i]) for i in range(values.shape[1])])
    width = (seconds - back)[:, None]
    return np.where(width > 0, (area - then) / np.where(width > 0, width, 1.0), values)


def _wander(
    seconds: np.ndarray, bleed: np.ndarray, tap: int, size: float, rng: np.random.Generator
) -> np.ndarray:
    """Return how a floating tap wanders [V]: slowly, and with a jump while a neighbour is bled."""
    step = max(10.0, (seconds[-1] - seconds[0]) / 50_000)
    keep = np.exp(-step / WANDER_S)
    grid = np.arange(seconds[0], seconds[-1] + 2 * step, step)
    shape = lfilter([np.sqrt(1 - keep**2)], [1.0, -keep], rng.normal(size=len(grid)))
    out = np.interp(seconds, grid, shape)
    out = size * (0.7 * np.sign(out[0] or 1.0) + 0.7 * out)
    for cell, sign in ((tap - 1, -1.0), (tap, 1.0)):
        if 0 <= cell < bleed.shape[1]:
            out = out + sign * 3 * size * bleed[:, cell]
    return out


def _swap_taps(volts: np.ndarray, tap: int) -> np.ndarray:
    """Taps `tap` and `tap` + 1 changed places: the cell between reads negative, its neighbours both."""
    node = np.concatenate([np.zeros((len(volts), 1)), np.cumsum(volts, axis=1)], axis=1)
    node[:, [tap, tap + 1]] = node[:, [tap + 1, tap]]
    return np.diff(node, axis=1)


def _hold(volts: np.ndarray, stale: np.ndarray) -> np.ndarray:
    last = np.maximum.accumulate(np.where(stale, 0, np.arange(len(volts))))
    return volts[last]


def _faulty(true_C: np.ndarray, fault: SensorFault) -> np.ndarray:
    if fault.kind == "open":
        return np.full_like(true_C, -40.0)
    if fault.kind == "short":
        return np.full_like(true_C, 125.0)
    if fault.kind == "stuck":
        return np.full_like(true_C, true_C[0])
    if fault.kind == "offset":
        return true_C + fault.size
    return 1.0 / (1.0 / 298.15 + (1.0 / (true_C + 273.15) - 1.0 / 298.15) * 3431.0 / 3950.0) - 273.15
