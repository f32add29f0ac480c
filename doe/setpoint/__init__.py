"""Robust setpoint, window, verdict and the next coupons."""
