# SPDX-License-Identifier: GPL-3.0-or-later
"""Survey a boat from the laptop: send `provision.survey.aboard` along, and read what it answers.

`bundle` packs the code, `session` carries lines both ways and bounds them, `messages` reads them,
`links` judges what the boat's feed hears, `boat` puts it together.
"""
