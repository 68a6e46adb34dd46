"""Labels: what a version declares, what it ought to say by the recipe, and which one was seen on the roll."""
