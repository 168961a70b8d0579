"""The report as one page: sentences, chart, passages to hear, tables, how to read them.

    flagged    which passages are worth hearing, the most telling first
    charts     the chart, for wide and for narrow screens
    players    their sound, small enough to travel inside the page
    rows       tables as values: what a cell says and what it sorts by
    history    the player's earlier takes compared, as values
    words      how to read the figures; the settings used
    build      everything into one HTML text (templates, style and script lie beside it)

The page asks nothing of any network: a content security policy inside it forbids all
but what it carries. Every name is escaped by the template engine.
"""
