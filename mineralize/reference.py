"""The common attenuation scale: hydroxyapatite slopes, HU at 120 kVp, and steady tissues of each scan."""
