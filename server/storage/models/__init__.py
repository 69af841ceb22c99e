"""The tables, one file per noun."""

from __future__ import annotations

from server.storage.models.account import (
    AccountRow,
    OneTimeLinkRow,
    PasskeyChallengeRow,
    PasskeyRow,
    PendingSignInRow,
    ProviderIdentityRow,
    RecoveryCodeRow,
    SecondFactorRow,
    SignInAttemptRow,
)
from server.storage.models.answer import AnswerRow
from server.storage.models.audit import AuditEventRow
from server.storage.models.base import Base
from server.storage.models.calendar_feed import CalendarFeedRow
from server.storage.models.card import CardRow, CardVersionRow
from server.storage.models.card_draft import CardDraftRow, CardEventRow, PhotographRow
from server.storage.models.card_package import CardPackageRow
from server.storage.models.card_state import CardStateRow
from server.storage.models.checkpoint import (
    CheckpointEstimateRow,
    CheckpointExtraRow,
    CheckpointItemRow,
    CheckpointLookRow,
    CheckpointRow,
    CheckpointSittingRow,
)
from server.storage.models.cohort import (
    CohortLeadRow,
    CohortMemberRow,
    CohortPlaceRow,
    CohortRow,
)
from server.storage.models.design_eye import DesignEyeRow
from server.storage.models.examination import ExaminationRow
from server.storage.models.eye import DrawTallyRow, EyeRow, EyeWishRow, WideEyeRow
from server.storage.models.gallery import GalleryPlateRow, GalleryRemarkRow
from server.storage.models.learner import LearnerRow, PauseRow
from server.storage.models.letter import LetterRow
from server.storage.models.look import LookRow
from server.storage.models.mail_address import MailAddressRow
from server.storage.models.practice_round import RoundItemRow, RoundRow
from server.storage.models.practice_slot import PracticeSlotRow
from server.storage.models.tally import ConfusionTallyRow, FindingTallyRow, PracticeDayRow
from server.storage.models.threshold import ThresholdRow
from server.storage.models.web_session import WebSessionRow

__all__ = [
    "AccountRow",
    "AnswerRow",
    "AuditEventRow",
    "Base",
    "CalendarFeedRow",
    "CardDraftRow",
    "CardEventRow",
    "CardPackageRow",
    "CardRow",
    "CardStateRow",
    "CardVersionRow",
    "CheckpointEstimateRow",
    "CheckpointExtraRow",
    "CheckpointItemRow",
    "CheckpointLookRow",
    "CheckpointRow",
    "CheckpointSittingRow",
    "CohortLeadRow",
    "CohortMemberRow",
    "CohortPlaceRow",
    "CohortRow",
    "ConfusionTallyRow",
    "DesignEyeRow",
    "DrawTallyRow",
    "ExaminationRow",
    "EyeRow",
    "EyeWishRow",
    "FindingTallyRow",
    "GalleryPlateRow",
    "GalleryRemarkRow",
    "LearnerRow",
    "LetterRow",
    "LookRow",
    "MailAddressRow",
    "OneTimeLinkRow",
    "PasskeyChallengeRow",
    "PasskeyRow",
    "PauseRow",
    "PendingSignInRow",
    "PhotographRow",
    "PracticeDayRow",
    "PracticeSlotRow",
    "ProviderIdentityRow",
    "RecoveryCodeRow",
    "RoundItemRow",
    "RoundRow",
    "SecondFactorRow",
    "SignInAttemptRow",
    "ThresholdRow",
    "WebSessionRow",
    "WideEyeRow",
]
