"""mineralize: the measured imaging history of a mineralising soft-tissue lesion, from serial CT."""

__version__ = "0.1.0"
