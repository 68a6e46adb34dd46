"""What a supplier tells of goods that are on their way, as receipts that a person confirms: read, proposed, answered."""
