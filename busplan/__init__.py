"""busplan: plan the CAN networks of an electric conversion, and read what travels on them."""

__version__ = "0.1.0"
