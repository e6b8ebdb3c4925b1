"""Everything a command imports or compiles, so that a process forked from here starts at once."""

import gc

import duckdb
import jinja2
import openpyxl
import pandas
import scipy.optimize.elementwise
import xlsxwriter

import pipeline.cli.main
import pipeline.desk.command
import pipeline.desk.server
import pipeline.followup.correct
import pipeline.followup.determine
import pipeline.followup.publish
import pipeline.followup.retraining
import pipeline.followup.workbooks
import pipeline.handover
import pipeline.ingest.delivery
import pipeline.judging.evaluator
import pipeline.judging.whatif
import pipeline.mapping.run
import pipeline.month.gather
import pipeline.month.one_case
import pipeline.review
import pipeline.sharing.edition
import reports
import reports.case.pages
import reports.render.packs
import reports.render.shared_pages
import reports.render.templates
import reports.render.workbook
import schemas.contract
import tests.faults.world
import tests.unscreened

__all__ = ["duckdb", "jinja2", "openpyxl", "pandas", "pipeline", "reports", "schemas",
           "scipy", "tests", "xlsxwriter"]  # fmt: skip

environment = reports.render.templates.environment()
for name in environment.list_templates(extensions=["html"]):
    environment.get_template(name)
gc.freeze()
