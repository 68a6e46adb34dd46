"""What a logger wrote: reading its files, packing its readings, drawing them. Pure: numpy, no Django."""
