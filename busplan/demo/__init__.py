"""The invented demo vehicle, brought to life through the bus simulation."""
