"""Device forms of the kernels in `kernels.py`: same names, same arguments, CuPy arrays.

Both move each patch pixel once: 2 x 8 bytes a pixel (complex64) plus the object, which stays in cache.
"""

from __future__ import annotations

import math
from functools import cache

import cupy
import numpy as np

_SOURCE = r"""
template <typename R, int COMPONENTS>
__global__ void gather(const R* __restrict__ object_, const long long* __restrict__ corners, R* __restrict__ patches,
                       int size, int width, long long total) {
    long long i = blockIdx.x * (long long)blockDim.x + threadIdx.x;
    if (i >= total) return;
    long long frame = i / ((long long)size * size);
    int row = (int)((i / size) % size), column = (int)(i % size);
    long long from = (corners[2 * frame] + row) * width + corners[2 * frame + 1] + column;
    for (int c = 0; c < COMPONENTS; ++c) patches[COMPONENTS * i + c] = object_[COMPONENTS * from + c];
}

template <typename R, int COMPONENTS>
__global__ void scatter(R* __restrict__ target, const R* __restrict__ patches, const long long* __restrict__ corners,
                        int size, int width, long long total) {
    long long i = blockIdx.x * (long long)blockDim.x + threadIdx.x;
    if (i >= total) return;
    long long frame = i / ((long long)size * size);
    int row = (int)((i / size) % size), column = (int)(i % size);
    long long to = (corners[2 * frame] + row) * width + corners[2 * frame + 1] + column;
    for (int c = 0; c < COMPONENTS; ++c) atomicAdd(&target[COMPONENTS * to + c], patches[COMPONENTS * i + c]);
}
"""
_THREADS = 256
# One real number a pixel, or two: CuPy's complex types are pairs of these.
_FORMS = {"f": ("float", 1), "d": ("double", 1), "F": ("float", 2), "D": ("double", 2)}


@cache
def _kernel(name: str, kind: str) -> cupy.RawKernel:
    real, components = _FORMS[kind]
    expression = f"{name}<{real}, {components}>"
    module = cupy.RawModule(code=_SOURCE, options=("--std=c++14",), name_expressions=(expression,))
    return module.get_function(expression)


def gather(object_: cupy.ndarray, corners: cupy.ndarray, size: int) -> cupy.ndarray:
    """Return the patches ``(B, N, N)`` of `object_` whose first pixels are at `corners` ``(B, 2)`` int64."""
    patches = cupy.empty((len(corners), size, size), object_.dtype)
    _launch("gather", object_, (object_, corners, patches), patches, size)
    return patches


def scatter(target: cupy.ndarray, patches: cupy.ndarray, corners: cupy.ndarray) -> None:
    """Add `patches` ``(B, N, N)`` to `target` at `corners`; the order of the sums is not fixed."""
    if patches.dtype != target.dtype:
        raise TypeError(f"scatter: patches are {patches.dtype}, the target is {target.dtype}")
    patches = cupy.ascontiguousarray(patches)
    _launch("scatter", target, (target, patches, corners), patches, patches.shape[-1])


def _launch(name: str, wide: cupy.ndarray, arrays: tuple[cupy.ndarray, ...], patches: cupy.ndarray, size: int) -> None:
    total = math.prod(patches.shape)
    kernel = _kernel(name, wide.dtype.char)
    numbers = np.int32(size), np.int32(wide.shape[1]), np.int64(total)  # the kernel's own widths
    kernel(((total + _THREADS - 1) // _THREADS,), (_THREADS,), (*arrays, *numbers))
