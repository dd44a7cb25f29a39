"""The kernels of a graphics card, through numba-cuda (extra ``cuda``).

They stand behind the names of the processor's kernels: :data:`.kernels.KERNELS` says which there are. What happens to a
single pixel is the processor's own source, imported; what reads a pixel's surroundings is written anew, one thread for
each value of the result. There is no float64 and no order that could change: the same card gives the same bits. The
card joins a multiplication and an addition into one rounding, so its bits are not the processor's.

Only :func:`inkarnat.kernels.devices.opened` imports this package: it needs a card, or numba's simulator.
"""
