"""Truths that judgements are tested on, made without looking at the judging code.

Nodes for the bench: ``truth.nodes`` says how to add them. The rest is about packs.

Everything is invented, seeded and quick. Seeds from 900 000 on are kept for a last run: do not tune
on them. Each maker returns its readings *and* what is true; ``as_series`` turns them into what the
judge takes.

* Warm-ups by a loop of many nodes::

      from truth.loop_cases import CASES, case, population, warm_up
      from truth.as_series import warm_up_series
      test = population(17, liquid=False)      # 5 to 50 ms; .exchange, .lag_s, .bad, .healthy
      test = case("offset", 3, offset_k=-3.0)  # every named disturbance; knobs as in warm_up()
      series, layout = warm_up_series(test)

* Warm-ups by plates as channels with plug flow (nothing shared with the loop)::

      from truth import channel_cases
      from truth.as_series import channel_series
      test = channel_cases.population(17)      # slow messages, pump steps, draught, two kinds …
      test = channel_cases.case("thermostat, healthy", 3)
      series, layout = channel_series(test)

* A fact of the trade, as readings::

      from truth import fact
      series, layout = fact.readings(4, minutes=12.0, stays=5).as_series()

* Cells by free Thevenin circuits::

      from truth import cell_packs
      from truth.as_series import pack_series
      pack = cell_packs.drive(5, raised={52: 1.3}, stops=True)   # .resistance(1.0), .delay_s
      pack = cell_packs.charging(5, weak={3: 0.95}, from_charge=0.22, to_charge=0.70)
      pack = cell_packs.rest(5, hours=6.0, loses_mv_h={7: 0.3})
      series, layout = pack_series(pack, without=["voltage"])

* Cells solved by PyBaMM and kept (chen to develop on, mohtat held out, prada to be refused)::

      from truth import solved_cells
      pack = solved_cells.drive(5, cells=24, raised={3: 1.3}, cold=(1,))
      pack = solved_cells.charging(5, weak={3: 0.95}, aligned="bottom", lithium_lost={7: 0.10})
      pack = solved_cells.rest(5, hours=6.0, leak_ma={7: 30.0})
"""
