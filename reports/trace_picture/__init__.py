"""A trace as a layered picture and as an indented table, the same each time it is made."""
