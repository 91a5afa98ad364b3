"""What travels on a network, as busplan sees it: immutable messages and signals."""
