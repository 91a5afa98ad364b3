"""The report of a build, for the customer and the file.

``contents`` puts together what is told, ``figures`` draws it, ``page`` is the one HTML file,
``tables`` the rows for CSV and Parquet, ``hashes`` the list by which anybody can check that report,
journal and captures belong together.

The rules of this room:

* Nothing is judged here: answers, figures and words are those of the journal and of the rooms that
  judged.
* One page without any request: no script, no picture or font from outside. What came from outside
  (names, remarks, notes) is text, never markup.
* Cautions stand on every page; what was not shown is told as plainly as what was proven.
"""
