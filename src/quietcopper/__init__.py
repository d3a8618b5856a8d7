"""Quiet Copper: EMC and signal-integrity review of finished board layouts."""
