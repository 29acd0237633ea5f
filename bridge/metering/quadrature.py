"""Quadrature at one frequency: a hop of samples in, the complex amplitude of the tone at its centre out.

With x = A cos θ, the sum C = (1/H) Σ x e^{−jω(i−c)} over a hop of H samples centred on c is a·D(δ) + a*·D(2ω+δ), where
a = (A/2) e^{jθ(c)}, δ is how far the tone lies from ω, and D the Dirichlet kernel. Both kernels are real and known, so
a follows exactly, also where the hop holds no whole number of periods.
"""

import math

import numpy as np
from numpy.typing import NDArray


def dirichlet(angle_rad: float, count: int) -> float:
    """Return the mean of e^{j·angle·i} over ``count`` consecutive i, referred to their centre; |angle| < 2π."""
    half = 0.5 * angle_rad
    return 1.0 if abs(half) < 1e-9 else math.sin(count * half) / (count * math.sin(half))


class Quadrature:
    """A quadrature detector for hops of a fixed length.

    Parameters
    ----------
    sample_rate_hz : int
    hop_frames : int
    """

    def __init__(self, sample_rate_hz: int, hop_frames: int) -> None:
        self._sample_rate_hz = sample_rate_hz
        self.hop_frames = hop_frames
        self._centred = np.arange(hop_frames) - (hop_frames - 1) / 2
        self.tune(1000.0)

    def tune(self, hz: float) -> None:
        """Detect at ``hz`` from the next hop on."""
        self.hz = hz
        self.rad_per_frame = 2.0 * math.pi * hz / self._sample_rate_hz
        angle = self.rad_per_frame * self._centred
        self._cosine = (np.cos(angle) / self.hop_frames).astype(np.float32)
        self._sine = (-np.sin(angle) / self.hop_frames).astype(np.float32)
        mirrored = dirichlet(2.0 * self.rad_per_frame, self.hop_frames)
        self._real_gain, self._imaginary_gain = 1.0 / (1.0 + mirrored), 1.0 / (1.0 - mirrored)

    def detect(self, hop: NDArray[np.float32]) -> NDArray[np.complex128]:
        """Return C for samples of shape (hop_frames, inputs)."""
        detected = np.empty(hop.shape[1], dtype=np.complex128)
        detected.real = self._cosine.dot(hop)
        detected.imag = self._sine.dot(hop)
        return detected

    def upright(self, detected: NDArray[np.complex128]) -> NDArray[np.complex128]:
        """Return C without the image, which turns the other way: what is left has the phase of the tone."""
        upright = np.empty_like(detected)
        np.multiply(detected.real, self._real_gain, out=upright.real)
        np.multiply(detected.imag, self._imaginary_gain, out=upright.imag)
        return upright

    def amplitude(
        self, detected: NDArray[np.complex128], offset_rad_per_frame: float, window: float = 1.0, image: float = 1.0
    ) -> NDArray[np.complex128]:
        """Return a = (A/2) e^{jθ} from C.

        Parameters
        ----------
        detected : ndarray of complex
            C, or a weighted sum of the C of several hops, turned back to the phase at the centre of them all.
        offset_rad_per_frame : float
            How far the tone lies from the tuned frequency.
        window, image : float
            What the weights add up to, and what they leave of the image, which turns the other way.
        """
        direct = window * dirichlet(offset_rad_per_frame, self.hop_frames)
        mirrored = image * dirichlet(2.0 * self.rad_per_frame + offset_rad_per_frame, self.hop_frames)
        tone = np.empty_like(detected)
        tone.real = detected.real / (direct + mirrored)
        tone.imag = detected.imag / (direct - mirrored)
        return tone
