"""Sheets for the people who build: wiring schedule, gateway sheet, network definitions, drawing.

The rules of this room: pure functions from a :class:`~busplan.plan.vehicle.Vehicle` to text; files
are written by the command. Every sheet carries the caution of high voltage, says "not stated"
where nothing is known, and names the convention wherever it fills a gap of the plan. Texts of plans
and definitions leave disarmed and escaped for the format they land in.
"""
