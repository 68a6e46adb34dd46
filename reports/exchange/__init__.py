"""What leaves the house as data: sheets of movements and EPCIS events; nothing of recipes, prices, people or contacts."""
