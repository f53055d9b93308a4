"""roof3d: checks rope fall protection on 3D roof models."""

__version__ = "0.1.0"
