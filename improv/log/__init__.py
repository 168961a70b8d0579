"""The practice log: one SQLite file that keeps takes, how they were read, what was heard.

    entries    what goes in and comes out: Entry, Filter, Row, Whole
    kept_settings  how a take was read and judged, kept and told
    names      one rule for upper and lower case; subdivisions by any of their names
    parts      which part of a file a take is
    schema     the tables as they are; migrations: the way there from earlier versions
    opening    the only place that opens the file: checks, creation, crash care, errors
    queries    a filter as SQL
    putting    one take into the tables; found: material for comparisons out of them
    store      Log: add, find, show, remove, material for comparisons, backup
    refresh    analyze everything again, the old results staying until the new are whole
    exchange   export and import in an open format
    sheet      the log as CSV for spreadsheets
    place      where the log lies when nobody says

Nothing here prints, and nothing leaves the machine.
"""
