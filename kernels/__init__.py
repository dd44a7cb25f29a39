"""Kernels: plain functions on numpy arrays. They know no node, no file and no parameter object.

Conventions. A picture is float32, C-contiguous, (H, W, 3) or (H, W, 4), R′G′B′(A), row 0 at the top. A matte is
float32 (H, W), 0 to 1. Values outside 0 to 1 are legal in pictures and survive. Hue angles are in degrees,
counter-clockwise from +Cb in the BT.709 Cb/Cr plane. Kernels never write their inputs; ``out=`` receives the
result where it is offered. The same input gives the same bits for any number of threads.
"""
