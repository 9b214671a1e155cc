"""washgrade: where and when to dig black sand in a dry wash."""

__version__ = "0.1.0"
