"""Pages and charts: results in, self-contained HTML out. Never opens a store and never computes a statistic.

`page` says what a page is made of, `render` turns one into HTML, `specs` makes an Altair chart safe to embed,
`theme` holds every colour and size; `repermit.wording` writes values as text.
"""
