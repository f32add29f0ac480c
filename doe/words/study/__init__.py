"""A study in words: plans, answers, reasons, what more coupons buy."""
