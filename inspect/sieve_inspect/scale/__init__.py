"""From pixels to micrometres: x and y apart, with their uncertainty and where they come from."""

from sieve_inspect.scale.model import Scale, load_scale, scale_from_text

__all__ = ["Scale", "load_scale", "scale_from_text"]
