"""People: how far those who score agree, with each other and with themselves."""
