"""From a scene to the voxels of one scan: sampling, slice averaging, in-plane blur, noise, table.

A voxel is the mean of the scene over its pixel and its slice thickness, found with one sample where nothing
happens and with many wherever a neighbour differs or a lesion's shell passes; the rest of the in-plane blur is
applied in the frequency domain, so that mean attenuation is kept exactly.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import fft, ndimage
from skimage import transform

from .loops import squared_distance
from .physics import Array
from .scene import Scene


@dataclass(frozen=True)
class Kernel:
    """In-plane response: full width at half maximum (mm) and edge boost (0 = none)."""

    fwhm: float
    boost: float = 0.0

    def response(self, frequency: Array) -> Array:
        """Modulation transfer at cycles/mm, 1 at 0."""
        sigma = self.fwhm / 2.3548
        plain = np.exp(-2 * (np.pi * sigma * frequency) ** 2)
        if not self.boost:
            return np.asarray(plain)
        hump = (frequency / 0.35) ** 2
        return np.asarray(plain * (1 + self.boost * hump * np.exp(1 - hump)))


@dataclass(frozen=True)
class Frame:
    """The voxel grid of one scan and where the body lies in it.

    ``affine`` (4, 4) maps (slice, row, column, 1) to LPS mm; ``to_body`` LPS mm to body mm;
    ``thickness`` is the slice's own width, which may exceed the spacing.
    """

    shape: tuple[int, int, int]
    affine: Array
    to_body: Array
    thickness: float

    @property
    def spacing(self) -> Array:
        return np.asarray(np.linalg.norm(self.affine[:3, :3], axis=0))

    @property
    def index_to_body(self) -> Array:
        return np.asarray(self.to_body @ self.affine)


def _body_points(matrix: Array, slices: Array, rows: Array, columns: Array) -> Array:
    m = matrix.astype(np.float32)
    index = np.stack([slices, rows, columns], axis=1).astype(np.float32)
    return np.asarray(index @ m[:3, :3].T + m[:3, 3])


def _offsets(count: int) -> Array:
    return (np.arange(count) + 0.5) / count - 0.5


def sample_slab(scene: Scene, frame: Frame, first: int, last: int) -> Array:
    """Unblurred float32 HU of slices ``first`` to ``last`` (exclusive), averaged over pixel and thickness."""
    spacing = frame.spacing
    lo, hi = first - 1, last + 1
    shape = (hi - lo, *frame.shape[1:])
    matrix = frame.index_to_body
    coarse = np.full(shape, -1000.0, np.float32)
    s, r, c = _limb_box(scene, frame, lo, hi)
    if s.size == 0:
        return coarse[1:-1]
    block = np.meshgrid(s, r, c, indexing="ij")
    points = _body_points(matrix, *(v.ravel() for v in block))
    depth, _, _ = scene.limb.depth(points)
    inside = np.flatnonzero(depth > -2 * float(spacing[1:].max()) - 0.35 * frame.thickness)
    flat = np.ravel_multi_index((block[0].ravel() - lo, block[1].ravel(), block[2].ravel()), shape)
    values = scene.hu(points[inside])
    coarse.ravel()[flat[inside]] = values

    busy = np.zeros(shape, bool)
    for axis in range(3):
        differs = np.abs(np.diff(coarse, axis=axis)) > 14.0
        a = [slice(None)] * 3
        b = [slice(None)] * 3
        a[axis], b[axis] = slice(None, -1), slice(1, None)
        busy[tuple(a)] |= differs
        busy[tuple(b)] |= differs
    close = np.zeros(len(inside), bool)
    half = 0.5 * float(np.linalg.norm([spacing[1], spacing[2], frame.thickness]))
    for lesion in scene.lesions:
        near = np.flatnonzero(squared_distance(points[inside], np.asarray(lesion.centre)) < (lesion.reach + 3) ** 2)
        outside = lesion.outside_mm(points[inside[near]])
        close[near] |= (outside < half + 0.3) & (outside > -(2.2 * lesion.shell_mm + 3 * lesion.fuzz_mm + half))
    busy.ravel()[flat[inside[close]]] = True

    result = coarse[1:-1].copy()
    z, y, x = np.nonzero(busy[1:-1])
    n_plane = min(max(2, int(np.ceil(float(spacing[1]) / 0.3))), 5)
    n_deep = min(max(2, int(np.ceil(frame.thickness / 0.5))), 12)
    along = frame.thickness / float(spacing[0])
    chunk = 60_000
    for start in range(0, len(z), chunk):
        part = slice(start, start + chunk)
        zz, yy, xx = z[part] + first, y[part], x[part]
        total = np.zeros(len(zz), np.float32)
        centre = _body_points(matrix, zz, yy, xx)
        m = matrix.astype(np.float32)
        for dz in _offsets(n_deep) * along:
            for dy in _offsets(n_plane):
                for dx in _offsets(n_plane):
                    step = m[:3, 0] * np.float32(dz) + m[:3, 1] * np.float32(dy) + m[:3, 2] * np.float32(dx)
                    total += scene.hu(centre + step)
        result[z[part], y[part], x[part]] = total / (n_deep * n_plane * n_plane)
    return result


def _limb_box(scene: Scene, frame: Frame, lo: int, hi: int) -> tuple[Array, Array, Array]:
    """Index ranges that hold the limb within slices lo..hi."""
    inverse = np.linalg.inv(frame.index_to_body)
    angle = np.linspace(0, 2 * np.pi, 72, endpoint=False)
    body_z = np.linspace(-400, 400, 161)
    a, z = (v.ravel() for v in np.meshgrid(angle, body_z))
    r = scene.limb.boundary(np.cos(a), np.sin(a), z)
    rim = np.stack([scene.limb.centre[0] + r * np.cos(a), scene.limb.centre[1] + r * np.sin(a), z], axis=1)
    index = rim @ inverse[:3, :3].T + inverse[:3, 3]
    step = 5.0 / float(frame.spacing[0]) * 1.5 + 2
    index = index[(index[:, 0] > lo - step) & (index[:, 0] < hi + step)]
    if not len(index):
        return np.arange(0), np.arange(0), np.arange(0)
    ranges = [np.arange(lo, hi)]
    for axis in (1, 2):
        low = max(int(index[:, axis].min()) - 4, 0)
        high = min(int(index[:, axis].max()) + 5, frame.shape[axis])
        ranges.append(np.arange(low, max(high, low)))
    return ranges[0], ranges[1], ranges[2]


def blur_and_noise(
    slab: Array, pixel: float, kernel: Kernel, noise_sd: float, rng: np.random.Generator, kept: float = 0.0
) -> Array:
    """In-plane response of the kernel, and noise with the kernel's spectrum and ``noise_sd`` HU."""
    pad = 12
    rows, columns = slab.shape[1:]
    size = [fft.next_fast_len(n + 2 * pad, real=True) for n in (rows, columns)]
    extra = [n - m - pad for n, m in zip(size, (rows, columns), strict=True)]
    fy = fft.fftfreq(size[0], pixel)[:, None]
    fx = fft.rfftfreq(size[1], pixel)[None, :]
    frequency = np.hypot(fy, fx)
    # the pixel's own width is already in the samples
    own = np.sinc(fy * pixel) * np.sinc(fx * pixel)
    response = np.minimum(kernel.response(frequency) / np.maximum(own, 0.3), 1.6).astype(np.float32)
    spectrum = np.sqrt(frequency + 0.02) * kernel.response(frequency)
    weight = np.full(spectrum.shape, 2.0)
    weight[:, 0] = 1.0
    if size[1] % 2 == 0:
        weight[:, -1] = 1.0
    power = float((weight * spectrum**2).sum()) / (size[0] * size[1])
    spectrum = (spectrum * (noise_sd / np.sqrt(power))).astype(np.float32)
    out = np.empty_like(slab)
    for k in range(len(slab)):
        padded = np.pad(slab[k], ((pad, extra[0]), (pad, extra[1])), mode="edge")
        image = fft.rfft2(padded) * response
        if noise_sd > 0:
            image += fft.rfft2(rng.standard_normal(size, dtype=np.float32)) * spectrum
        plain = fft.irfft2(image, s=size)
        out[k] = plain[pad : pad + rows, pad : pad + columns]
    return out


def table_image(scene: Scene, frame: Frame, prone: bool) -> Array:
    """(rows, columns) HU of pad and table under the limb, which stay with the scanner; -1000 elsewhere."""
    rows, columns = frame.shape[1:]
    fine = 3
    inverse = np.linalg.inv(frame.index_to_body)
    angle = np.linspace(0, 2 * np.pi, 90, endpoint=False)
    middle = frame.index_to_body @ np.array([frame.shape[0] / 2, rows / 2, columns / 2, 1])
    half = frame.shape[0] * float(frame.spacing[0]) / 2
    a, z = (v.ravel() for v in np.meshgrid(angle, np.linspace(middle[2] - half, middle[2] + half, 25)))
    r = scene.limb.boundary(np.cos(a), np.sin(a), z)
    rim = np.stack([scene.limb.centre[0] + r * np.cos(a), scene.limb.centre[1] + r * np.sin(a), z], axis=1)
    index = rim @ inverse[:3, :3].T + inverse[:3, 3]
    lowest = float(np.quantile(index[:, 1], 0.97))
    across = float(index[:, 2].mean())
    pixel = float(frame.spacing[1])
    y = (np.arange(rows * fine) + 0.5) / fine - 0.5
    x = (np.arange(columns * fine) + 0.5) / fine - 0.5
    dx = (x[None, :] - across) * pixel
    # a shallow cradle: its surface rises to the sides
    below = (y[:, None] - lowest) * pixel + 0.0006 * dx**2
    image = np.full((rows * fine, columns * fine), -1000.0, np.float32)
    wide = np.abs(dx) < 210
    image[(below > 0) & (below < 18) & wide] = -945.0  # foam pad
    image[(below > 18) & (below < 20.5) & wide] = -150.0  # carbon skin
    image[(below > 20.5) & (below < 45) & wide] = -900.0  # core
    image[(below > 45) & (below < 47) & wide] = -150.0
    return np.asarray(image.reshape(rows, fine, columns, fine).mean(axis=(1, 3)))


def render(
    scene: Scene,
    frame: Frame,
    kernel: Kernel,
    noise_sd: float,
    rng: np.random.Generator,
    table: Array | None = None,
    slab: int = 12,
) -> Array:
    """float32 HU [slice, row, column] of a scan."""
    hu = np.empty(frame.shape, np.float32)
    pixel = float(frame.spacing[1])
    for first in range(0, frame.shape[0], slab):
        last = min(first + slab, frame.shape[0])
        part = sample_slab(scene, frame, first, last)
        if table is not None:
            # what is air in the voxel shows the table
            air = np.clip((part + 1000) / 900, 0, 1)
            part = np.where(part < -100, part + (1 - air) * (table[None] + 1000), part)
        hu[first:last] = blur_and_noise(part, pixel, kernel, noise_sd, rng)
    return hu


def streaks(hu: Array, pixel: float, size: int = 144) -> Array:
    """What metal (> 3000 HU) adds to its slices: rays that are measured as less dense than they are.

    The slice is projected, path integrals above what the detector can tell are cut (starvation and beam
    hardening), and the difference is reconstructed by filtered back projection (scikit-image).
    """
    added = np.zeros_like(hu)
    angles = np.linspace(0, 180, 150, endpoint=False)
    for k in np.flatnonzero((hu > 3000).any(axis=(1, 2))):
        shrink = size / hu.shape[1]
        small = transform.resize(hu[k], (size, size), order=1, anti_aliasing=True, preserve_range=True)
        mu = 0.0195 * (1 + np.clip(small, -1000, None) / 1000) * (pixel / shrink)
        path = transform.radon(mu, angles, circle=False)
        measured = np.where(path > 2.2, 2.2 + 1.6 * (1 - np.exp(-(path - 2.2) / 1.6)), path)
        error = transform.iradon(measured - path, angles, output_size=size, circle=False)
        error = error / (0.0195 * pixel / shrink) * 1000
        wide = transform.resize(error, hu.shape[1:], order=1, preserve_range=True)
        added[k] = np.where(hu[k] > 3000, 0, np.clip(wide, -900, 900))
    return added


def shifted_slices(hu: Array, shifts: Array) -> Array:
    """Every slice moved by (rows, columns): a patient who moved during the scan."""
    out = np.empty_like(hu)
    for k, (down, right) in enumerate(shifts):
        out[k] = ndimage.shift(hu[k], (down, right), order=1, mode="nearest")
    return out
