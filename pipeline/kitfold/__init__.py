"""kitfold: from synth bounces to a small sampler kit, every claim measured."""

__all__ = ["__version__"]

__version__ = "0.1.0"
