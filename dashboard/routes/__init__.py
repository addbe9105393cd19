"""The addresses of the dashboard, a module for each page: what is asked, found, and sent as page or JSON.

Every module has its `ROUTES`, and a new one is joined to them here. Imports the desk and the pages.
"""

from dashboard.routes import (
    acceptance,
    access,
    acts,
    circuit,
    evenings,
    events,
    files,
    findings,
    interface,
    ledger,
    live,
    method,
    papers,
    runs,
    schedule,
    shows,
    side_by_side,
    site,
    term,
    today,
    uploads,
)

ROUTES = [
    *acceptance.ROUTES,
    *access.ROUTES,
    *acts.ROUTES,
    *circuit.ROUTES,
    *evenings.ROUTES,
    *events.ROUTES,
    *files.ROUTES,
    *findings.ROUTES,
    *interface.ROUTES,
    *method.ROUTES,
    *live.ROUTES,
    *runs.ROUTES,
    *schedule.ROUTES,
    *ledger.ROUTES,
    *papers.ROUTES,
    *shows.ROUTES,
    *side_by_side.ROUTES,
    *site.ROUTES,
    *term.ROUTES,
    *today.ROUTES,
    *uploads.ROUTES,
]
