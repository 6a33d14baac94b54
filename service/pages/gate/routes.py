"""Addresses of the gate pages."""

from service.pages.desk import page_router
from service.pages.gate import corrections, new_truck, papers, photos, ticket, tickets

routes = page_router()
for part in (tickets, new_truck, ticket, corrections, papers, photos):
    routes.include_router(part.routes)
