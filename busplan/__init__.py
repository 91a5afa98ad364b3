"""busplan: plan the CAN networks of an electric conversion, and read what travels on them."""

from busplan.version import __version__ as __version__
