"""Many captures of many vehicles over years: a catalogue, judgements as tables, decoded frames.

The rules of this room:

* A judgement is a pure function of ``run_key``: the bytes of the capture, the plan with its
  definitions, the judgement version and the options (:mod:`busplan.fleet.identity`). So any run
  may be killed at any moment and simply be run again.
* One judgement is one row of one table, written in one atomic commit that fails when anybody else
  has committed meanwhile (:mod:`busplan.fleet.delta`). A file of frames counts only once a row
  names it.
* A capture that cannot be judged is an answer (a row whose state is ``refused``). A full disk, a
  lost worker, a store that does not answer are errors: no row, and the next run tries again.
* Values stand in busplan's own units (V, A, °C, Ω); what the definition wrote stands beside.

Dask, deltalake and duckdb (extra ``busplan[fleet]``) are imported inside functions only.
"""
