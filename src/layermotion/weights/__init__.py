"""Holds the shipped weights: NAME.onnx, its JSON card and its model card."""

__all__ = ()
