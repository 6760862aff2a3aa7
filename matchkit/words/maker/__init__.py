"""The maker's screens: a batch against its drawing, one facing, gauges and calibration, refacing."""
