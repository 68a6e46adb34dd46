"""Characters that no text here may hold.

U+0000 and half pairs fit no database (decision D12); other control characters fit no document (XML 1.0, section 2.2),
and nobody types them. Tab and line ends stay.
"""

import re

UNKEEPABLE = re.compile("[\\x00-\\x08\\x0b\\x0c\\x0e-\\x1f\\x7f\\ud800-\\udfff\\ufffe\\uffff]")
