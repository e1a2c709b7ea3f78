"""Pages on a job: report, touch-up sheet, exports.

Every page is made from one `page.Page` and from nothing else, so that they cannot disagree.
"""
