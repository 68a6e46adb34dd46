"""What a scanned or typed code says: read strictly, with the place of what is wrong. Never a guess."""
