"""Random numbers that belong to one layer of one eye.

Every layer draws from its own generator, keyed by the eye's seed and the
layer's name, so that adding or removing a layer (a finding, say) never shifts
the numbers of another: the healthy twin stays the same eye to the pixel.
"""

from __future__ import annotations

import hashlib

import numpy as np


def stream(seed: int, layer: str) -> np.random.Generator:
    """Return the random generator of one layer of one eye.

    Parameters
    ----------
    seed : the eye's seed, any integer.
    layer : the layer's name, such as ``"choroid"``.

    Returns
    -------
    numpy.random.Generator
        A PCG64 generator whose state depends only on the two arguments: the
        key is a SHA-256 digest, so it is the same on every machine and in
        every process (Python's own ``hash`` of a string is not).
    """
    return np.random.Generator(np.random.PCG64(int.from_bytes(digest(seed, layer)[:16], "little")))


def digest(seed: int, layer: str) -> bytes:
    """Return the 32 bytes that key one layer of one eye (SHA-256)."""
    return hashlib.sha256(f"{seed}\x1f{layer}".encode()).digest()
