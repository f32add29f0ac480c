"""The page at the press: what to make next and the score form, for phones and tablets on one book."""
