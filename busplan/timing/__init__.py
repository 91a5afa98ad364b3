"""When frames arrive: proven response times, and the simulation that must not beat them."""
