"""How pages and documents are filled in: escaped by default, and a name that is not there is an error."""

from jinja2 import ChoiceLoader, Environment, PackageLoader, StrictUndefined

from .figures import sentence


def templates_of(*packages: str) -> Environment:
    """The templates of these packages, those of the first before others of the same name."""
    templates = Environment(
        loader=ChoiceLoader([PackageLoader(package) for package in packages]),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    templates.filters["sentence"] = sentence
    return templates
