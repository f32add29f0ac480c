"""Page templates and their styles (data; installed as ``doe.templates``)."""
