"""Owns the network and its loss: a U-Net with class logits and view logits."""

from collections.abc import Callable
from typing import NamedTuple, cast

import segmentation_models_pytorch as smp
import torch
from torch import nn
from torch.nn import functional

from layermotion.errors import ConfigError
from layermotion.labels import CLASS_COUNT
from layermotion.network.segmenter import VIEW_CLASSES
from layermotion.training.data import Batch
from layermotion.training.settings import TrainSettings

# Grey 0..255 becomes about -2..2; part of the network, so that no caller can forget it.
GREY_SCALE, GREY_MEAN, GREY_SPREAD = 255.0, 0.5, 0.25
# Chance that a feature is left out before the view classifier (our choice).
VIEW_DROPOUT = 0.2
DICE = smp.losses.DiceLoss(smp.losses.MULTICLASS_MODE)


class LayerNet(nn.Module):
    """Grey image in, logits out.

    ``forward`` takes (N, 1, R, C) grey 0..255, uint8 or float, and gives class logits
    (N, 6, R, C) and view logits (N, 3).

    The U-Net stops at half resolution, where its last features give the logits of four pixels
    each (Shi et al. 2016, arXiv 1609.05158, sub-pixel convolution): a last stage at full
    resolution costs a third of the time.
    """

    def __init__(self, settings: TrainSettings) -> None:
        super().__init__()
        self.unet = smp.Unet(
            encoder_name=settings.encoder,
            encoder_weights=None,
            in_channels=1,
            classes=CLASS_COUNT,
            # The library insists on a last stage, which is taken away below.
            decoder_channels=(*settings.decoder_channels, settings.decoder_channels[-1]),
            aux_params={"classes": len(VIEW_CLASSES), "pooling": "avg", "dropout": VIEW_DROPOUT},
        )
        del self.unet.decoder.blocks[-1]
        self.unet.segmentation_head = nn.Sequential(
            nn.Conv2d(settings.decoder_channels[-1], 4 * CLASS_COUNT, 3, padding=1),
            nn.PixelShuffle(2),
        )

    def forward(self, image: torch.Tensor) -> tuple[torch.Tensor, torch.Tensor]:
        """Normalise and run the U-Net."""
        normalised = (image.float() / GREY_SCALE - GREY_MEAN) / GREY_SPREAD
        return cast(tuple[torch.Tensor, torch.Tensor], self.unet(normalised))


def build_network(settings: TrainSettings) -> LayerNet:
    """Build the network that settings name.

    Raises
    ------
    ConfigError
        If there is no such encoder.
    """
    try:
        return LayerNet(settings)
    except (KeyError, RuntimeError, ValueError) as error:
        raise ConfigError(
            f"There is no encoder {settings.encoder} for this network; give one such as "
            f"{TrainSettings().encoder}."
        ) from error


class Losses(NamedTuple):
    """Scalars; ``total`` is what is minimised."""

    total: torch.Tensor
    cross_entropy: torch.Tensor
    dice: torch.Tensor
    view: torch.Tensor


def boundary_band(label: torch.Tensor, radius_px: int) -> torch.Tensor:
    """Pixels with another label within ``radius_px`` rows or columns.

    Parameters
    ----------
    label
        Integer, shape (N, R, C).

    Returns
    -------
    torch.Tensor
        bool, shape (N, R, C).
    """
    value = label[:, None].float()  # (N, 1, S, S)
    side = 2 * radius_px + 1
    highest = functional.max_pool2d(value, side, stride=1, padding=radius_px)
    lowest = -functional.max_pool2d(-value, side, stride=1, padding=radius_px)
    return (highest != lowest)[:, 0]


def soft_dice_loss(logits: torch.Tensor, label: torch.Tensor) -> torch.Tensor:
    """One minus the mean soft Dice over the classes that occur in this batch's truth.

    A class that does not occur is left out: it can be neither perfect nor wrong here, and the
    cross-entropy answers for false positives.

    Parameters
    ----------
    logits
        float, shape (N, K, R, C).
    label
        int64, shape (N, R, C).
    """
    present = torch.zeros(logits.shape[1], device=label.device)
    present.scatter_(0, label.flatten(), 1.0)
    # The library gives the mean over all classes, of which those left out count as 0.
    loss: torch.Tensor = DICE(logits, label) * len(present) / present.sum()
    return loss


def compute_losses(
    class_logits: torch.Tensor, view_logits: torch.Tensor, batch: Batch, settings: TrainSettings
) -> Losses:
    """Loss of one batch, in float32 whatever the precision of the logits."""
    class_logits, label = class_logits.float(), batch.label.long()
    weight = 1 + settings.boundary_weight * boundary_band(batch.label, settings.boundary_px)
    each = functional.cross_entropy(class_logits, label, reduction="none")  # (N, R, C)
    cross_entropy = (each * weight).sum() / weight.sum()
    dice = soft_dice_loss(class_logits, label)
    view = functional.cross_entropy(view_logits.float(), batch.view)
    total = cross_entropy + dice + settings.view_weight * view
    return Losses(total, cross_entropy, dice, view)


Answers = tuple[torch.Tensor, torch.Tensor]
Network = Callable[[torch.Tensor], Answers]


def compute_local_losses(
    answers: Answers,
    batch: Batch,
    settings: TrainSettings,
    began_as: Network | None,
    average: Network,
) -> dict[str, torch.Tensor]:
    """Losses by name where some pictures are of a laboratory, and some of those have no label.

    Labels teach; pictures of the generator hold what is known, if anything is held; on pictures
    without a label the network agrees with its average. Every picture of the batch counts alike,
    but for ``hold_weight`` and ``agree_weight``.

    Parameters
    ----------
    answers
        Class and view logits of the network.
    began_as
        The network that it began as, where its answers are held.
    average
        The moving average of the network.
    """
    zero = answers[0].new_zeros(())
    holds = ~batch.is_local if began_as else torch.zeros_like(batch.is_local)
    agrees = ~batch.is_labelled
    teaches = ~(holds | agrees)
    losses, held, agreed = Losses(zero, zero, zero, zero), zero, zero

    def away(loss: Callable[..., torch.Tensor], chosen: torch.Tensor, image: torch.Tensor,
             other: Network) -> torch.Tensor:  # fmt: skip
        with torch.no_grad():
            wanted = other(image[chosen])
        pairs = zip(answers, wanted, (1.0, settings.view_weight), strict=True)
        return sum((weight * loss(own[chosen], its) for own, its, weight in pairs), zero)

    if teaches.any():
        classes, views = (each[teaches] for each in answers)
        losses = compute_losses(classes, views, batch.where(teaches), settings)
    if began_as and holds.any():
        held = away(held_loss, holds, batch.image, began_as)
    if agrees.any():
        agreed = away(agreement_loss, agrees, batch.plain, average)
    total = (
        teaches.float().mean() * losses.total
        + settings.hold_weight * holds.float().mean() * held
        + settings.agree_weight * agrees.float().mean() * agreed
    )
    return losses._asdict() | {"held": held, "agreed": agreed, "total": total}


def agreement_loss(logits: torch.Tensor, wanted: torch.Tensor) -> torch.Tensor:
    """How far answers to changed pictures are from those to the pictures as they are.

    Source: Tarvainen and Valpola 2017, Mean teachers are better role models, arXiv 1703.01780
    (from memory): squared difference of probabilities, the wanted ones being those of the moving
    average; here summed over classes.

    Parameters
    ----------
    logits, wanted
        Float, classes along the second axis; of the network, and of its average.

    Returns
    -------
    torch.Tensor
        Scalar, mean over pixels, 0 to 2; 0 where both are alike.
    """
    own, taught = (each.float().softmax(1) for each in (logits, wanted))
    return (own - taught).square().sum(1).mean()


def held_loss(logits: torch.Tensor, known: torch.Tensor) -> torch.Tensor:
    """How far answers have moved from those that are to be held: Kullback-Leibler divergence.

    Source: Li and Hoiem 2016, Learning without forgetting, arXiv 1606.09282; here on pictures of
    the generator, not on the new ones.

    Parameters
    ----------
    logits, known
        Float, classes along the second axis; of the network, and of the one it began as.

    Returns
    -------
    torch.Tensor
        Scalar, mean over pixels, in nats; 0 where both are alike.
    """
    both = (answers.float().log_softmax(1) for answers in (logits, known))
    own, wanted = (each.movedim(1, -1).flatten(0, -2) for each in both)
    return functional.kl_div(own, wanted, reduction="batchmean", log_target=True)
