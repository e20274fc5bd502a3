"""Models scored on tanks they were not fitted to, and the findings made of it.

Door: ``stage_rows`` (stage_data: a programme's stages), ``score_development`` and ``score_everything``
(held_out_scores), ``assess_development`` (assessment) and ``development_claims`` (model_claims).
"""
