from reports.models.jobs import DocumentJob

__all__ = ["DocumentJob"]
