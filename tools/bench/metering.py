"""Metering against the straightforward ways: scipy filters sample by sample, and `np.abs` alone."""

import math

import numpy as np
from scipy import signal

from bridge.metering.ballistics import DAMPING, NATURAL_RAD_PER_S, Ballistics
from bridge.metering.meter import Meter
from bridge.source.block import Block
from tools.bench.timing import best_s, report

TRACKS, RATE_HZ, FRAMES = 24, 96_000, 512
BLOCKS = 188  # one second


def needle_sections() -> np.ndarray:
    """The needle as a digital filter, held input, as second-order sections."""
    system = signal.lti(
        np.array([[0.0, 1.0], [-(NATURAL_RAD_PER_S**2), -2 * DAMPING * NATURAL_RAD_PER_S]]),
        np.array([[0.0], [NATURAL_RAD_PER_S**2]]),
        np.array([[1.0, 0.0]]),
        np.array([[0.0]]),
    )
    discrete = system.to_discrete(1 / RATE_HZ, method="zoh")
    return signal.zpk2sos(*signal.ss2zpk(discrete.A, discrete.B, discrete.C, discrete.D))


class Straightforward:
    """The whole metering as one would write it with scipy: every stage a filter over every sample."""

    def __init__(self) -> None:
        self.needle = needle_sections()
        self.needle_state = np.zeros((1, 2, TRACKS))
        self.low_pass = signal.butter(2, 8.0, fs=RATE_HZ, output="sos")
        self.low_state = np.zeros((1, 2, TRACKS), dtype=complex)
        self.phase = 0.0
        self.before = np.ones(TRACKS, dtype=complex)
        self.levels: list[np.ndarray] = []

    def push(self, samples: np.ndarray) -> tuple[np.ndarray, ...]:
        moved, self.needle_state = signal.sosfilt(
            self.needle, np.abs(samples) * math.pi / 2, axis=0, zi=self.needle_state
        )
        peak = np.abs(samples).max(axis=0)
        turn = 2 * math.pi * 1000.0 / RATE_HZ
        carrier = np.exp(-1j * (self.phase + turn * np.arange(FRAMES)))
        self.phase = (self.phase + turn * FRAMES) % (2 * math.pi)
        base, self.low_state = signal.sosfilt(self.low_pass, samples * carrier[:, None], axis=0, zi=self.low_state)
        level = 20 * np.log10(np.maximum(2 * np.abs(base[-1]), 1e-10))
        hz = 1000.0 + np.angle(base[-1] / self.before) / (2 * math.pi * FRAMES / RATE_HZ)
        self.before = np.where(base[-1] == 0, 1, base[-1])
        self.levels = [*self.levels[-187:], level]
        spread = np.std(np.array(self.levels), axis=0)
        rms = np.sqrt(np.mean(samples**2, axis=0))
        return 20 * np.log10(np.maximum(moved[-1], 1e-10)), level, hz, spread, peak, rms


def main() -> None:
    rng = np.random.default_rng(0)
    seconds = np.arange(BLOCKS * FRAMES) / RATE_HZ
    tone = 0.1 * np.sin(2 * math.pi * 1000 * seconds)[:, None] + 0.0005 * rng.standard_normal((len(seconds), TRACKS))
    samples = np.ascontiguousarray(tone, dtype=np.float32)
    cut = [samples[start : start + FRAMES] for start in range(0, len(samples), FRAMES)]

    sections = needle_sections()
    state = [np.zeros((1, 2, TRACKS))]
    needle = Ballistics(RATE_HZ, TRACKS)
    block = cut[0]

    def filtered() -> None:
        _, state[0] = signal.sosfilt(sections, np.abs(block), axis=0, zi=state[0])

    vu = best_s({"needle": lambda: needle.push(block), "np.abs": lambda: np.abs(block), "sosfilt": filtered}, 60, 100)
    block_s = FRAMES / RATE_HZ
    print(f"{TRACKS} tracks, {RATE_HZ} Hz, blocks of {FRAMES} frames")
    for name, took_s in vu.items():
        print(f"  {name:20s} {took_s * 1e6:8.2f} µs a block, {block_s / took_s:7.0f} × real time")
    report(
        "VU alone, times as fast as sosfilt", vu["sosfilt"] / vu["needle"], ">= 12", vu["sosfilt"] >= 12 * vu["needle"]
    )
    report(
        "VU alone, times the time of np.abs", vu["needle"] / vu["np.abs"], "<= 3.5", vu["needle"] <= 3.5 * vu["np.abs"]
    )

    meter, plain = Meter(RATE_HZ, TRACKS), Straightforward()
    at = [0]

    def whole() -> None:
        for part in cut:
            meter.push(Block(part, at[0], round((at[0] + FRAMES) * 1e9 / RATE_HZ)))
            at[0] += FRAMES

    def straightforward() -> None:
        for part in cut:
            plain.push(part)

    both = best_s({"whole metering": whole, "with scipy": straightforward}, 12, 1)
    length_s = BLOCKS * block_s
    for name, took_s in both.items():
        print(f"  {name:20s} {took_s * 1e3:8.2f} ms a second, {length_s / took_s:7.0f} × real time")
    ratio = both["with scipy"] / both["whole metering"]
    report("whole metering, times as fast as with scipy", ratio, ">= 6", ratio >= 6)
