"""A site folder: settings and register, read whole and checked whole."""

from hissmark.site.load import Site, check_site, load_site
from hissmark.site.problems import Problem, Severity, SiteError

__all__ = ["Problem", "Severity", "Site", "SiteError", "check_site", "load_site"]
