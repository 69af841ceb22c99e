"""Retinal noise: unit normal, band-limited, fixed to the retina; blur against scipy."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import ndimage, stats

from server.rendering.blurring import enlarge, gaussian
from server.rendering.eye import View
from server.rendering.frame import Frame
from server.rendering.noise import LineNoise, Noise, lattice_values


def test_lattice_is_standard_normal_and_white() -> None:
    values = lattice_values(1234, -40, -70, 300, 400)
    assert stats.kstest(values.ravel()[::7], "norm").pvalue > 1e-3
    for step in ((1, 0), (0, 1), (1, 1), (3, 2)):
        moved = np.roll(values, step, (0, 1))[5:, 5:]
        assert abs(np.corrcoef(values[5:, 5:].ravel(), moved.ravel())[0, 1]) < 0.015


@pytest.mark.parametrize("cell", [0.3, 1.0, 2.5])
def test_noise_has_unit_variance(cell: float) -> None:
    frame = Frame.of(View(75.0, (0.0, 0.0), 1024))
    spread = np.mean([Noise(seed, "test", cell).over(frame).std() for seed in range(4)])
    assert spread == pytest.approx(1.0, abs=0.06)


def test_same_eye_at_any_size_field_and_centre() -> None:
    noise = Noise(7, "test", 1.3)
    frame = Frame.of(View(45.0, (-7.0, 0.0), 400))
    here = noise.over(frame)
    # The same points asked for one by one, and from frames that look elsewhere.
    assert np.allclose(noise.at(frame.x, frame.y), here, atol=2e-3)
    other = Frame.of(View(60.0, (10.0, -12.0), 777))
    points = noise.at(other.x[::50, ::50], other.y[::50, ::50])
    assert np.allclose(noise.over(other)[::50, ::50], points, atol=2e-3)
    large = noise.over(Frame.of(View(45.0, (-7.0, 0.0), 800)))
    assert np.abs(large.reshape(400, 2, 400, 2).mean(axis=(1, 3)) - here).max() < 0.02


def test_crop_is_a_window_of_the_whole() -> None:
    frame = Frame.of(View(45.0, (0.0, 0.0), 500))
    crop = frame.crop(5.0, 5.0, 4.0)
    noise = Noise(3, "test", 0.6)
    assert np.allclose(noise.over(frame)[crop.slices], noise.over(frame, crop), atol=1e-3)


def test_noise_reaches_the_far_periphery() -> None:
    far = Noise(1, "test", 0.125).at(np.array([-80.0, 80.0]), np.array([80.0, -80.0]))
    assert np.isfinite(far).all()


def test_detail_below_a_pixel_fades() -> None:
    frame = Frame.of(View(75.0, (0.0, 0.0), 256))
    assert Noise(1, "test", 0.05).over(frame).std() < 0.25


def test_line_noise_closes_on_itself() -> None:
    line = LineNoise(4, "test", 0.1, 2 * np.pi)
    angle = np.linspace(-np.pi, np.pi, 50)
    assert np.allclose(line.at(angle), line.at(angle + 2 * np.pi), atol=1e-5)
    many = [LineNoise(s, "test", 0.05, 2 * np.pi).at(np.linspace(0, 6, 500)) for s in range(40)]
    assert np.std(many) == pytest.approx(1.0, abs=0.1)


@pytest.mark.parametrize("sigma", [0.6, 1.5, 3.0, 8.0, 24.0])
def test_blur_matches_scipy(sigma: float) -> None:
    rng = np.random.default_rng(0)
    image = ndimage.gaussian_filter(rng.normal(size=(420, 450)), 1.0).astype(np.float32)
    expected = ndimage.gaussian_filter(image, sigma, mode="nearest", truncate=5.0)
    inner = np.s_[110:-110, 110:-110]
    error = np.abs(gaussian(image, sigma) - expected)[inner].max()
    assert error < 0.10 * np.abs(expected[inner]).max()
    both = gaussian(np.stack([image, 2 * image], axis=-1), sigma)
    assert np.allclose(both[..., 1], 2 * both[..., 0], atol=1e-5)


def test_enlarging_keeps_a_slope() -> None:
    small = np.add.outer(np.arange(20.0), 2 * np.arange(30.0)).astype(np.float32)
    large = enlarge(small, (40, 60), (20.0, 30.0))
    expected = np.add.outer((np.arange(40) + 0.5) / 2 - 0.5, (np.arange(60) + 0.5) - 1.0)
    assert np.allclose(large[2:-2, 2:-2], expected[2:-2, 2:-2], atol=1e-4)
