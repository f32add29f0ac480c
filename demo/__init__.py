"""The demo scenario: an invented shop (data; installed as ``doe.demo``)."""
