"""What a person asks for, as functions that return what happened; the commands and the page at the press call them."""
