"""`python -m lampblack.mock_camera`."""

import sys

from lampblack.mock_camera.cli import main

sys.exit(main())
