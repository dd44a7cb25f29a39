"""The errors of the kernels, under the one base that every Inkarnat error shares."""


class InkarnatError(Exception):
    """Base of every error that Inkarnat raises on purpose: the thing, the rule, the value, the fix."""


class PictureError(InkarnatError, ValueError):
    """An array that is not the picture, matte or plane that a kernel works on."""


class ValueRangeError(InkarnatError, ValueError):
    """A number outside the range for which a kernel's formula holds."""
