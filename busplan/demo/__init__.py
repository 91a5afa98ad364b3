"""The invented demo vehicle, brought to life through the bus simulation.

One invented van, Magpie, in every example, capture and picture. The way from physics to files:
``cells``, ``thermal``, ``drive_cycle``, ``charge``, ``contactors``, ``rest`` (pure, seeded; what is
planted stands there as constants, so that tests compare with them) → ``quantities`` (series by the
name of the signal) → ``scenes`` and ``chapters`` (one function a scene, and what is planted in its
traffic) → ``scripts`` (payloads) → ``traffic`` (through the bus simulation) → ``captures``.

The rules of this room:

* A new signal needs nothing: it shows a calm value by unit and choices. To script it, add its name
  (or ``node/signal``) to a scene's series. A new part: its DBC in ``dbc_examples/``, part and node
  in the plans; messages that two files describe are the same in both.
* Checksums are CRC-8 SAE J1850 over the identifier (high byte first), then the other bytes; each
  DBC says so at its signal. Identifiers keep clear of the ranges of CANopen and diagnostics.
* After a change that alters frames, ``busplan demo --to NEW --short`` makes the shipped cuts
  again; copy them to ``captures/`` and keep ``captures/about.toml`` true.
* ``make_capture(name, healthy=True)`` gives the same van without any fault, for tests that must
  find nothing.
"""
