"""The demo scenario as data: an invented shop with invented names, and coupons made on a simulated line."""
