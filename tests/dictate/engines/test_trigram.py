"""The trigram: values worked out by hand, and every distribution sums to one."""

import math

import pytest

from dictate.engines.trigram import END, START, train

CORPUS = ["a b", "a b", "a c"]


def test_values_by_hand() -> None:
    """Vocabulary a, b, c and </s>. Unigrams: a 3, b 2, c 1, </s> 3; 9 in all, 4 types, uniform 1/4."""
    model = train(CORPUS)
    b_alone = (2 + 4 * 0.25) / (9 + 4)
    assert model.probability("b") == pytest.approx(b_alone)
    after_a = (2 + 2 * b_alone) / (3 + 2)
    assert model.probability("b", ("a",)) == pytest.approx(after_a)
    assert model.probability("b", (START, "a")) == pytest.approx((2 + 2 * after_a) / (3 + 2))
    assert model.backoff(("a",)) == pytest.approx(2 / 5)


def test_unseen_word_gets_the_back_off() -> None:
    model = train(CORPUS)
    assert model.probability("a", ("b",)) == pytest.approx(model.backoff(("b",)) * model.probability("a"))


@pytest.mark.parametrize(
    "history",
    [
        (),
        (START,),
        ("a",),
        ("c",),
        (START, "a"),
        ("a", "b"),
        ("c", "a"),
        ("b", "b"),
    ],
)
def test_sums_to_one(history: tuple[str, ...]) -> None:
    model = train(CORPUS, words=["never"])
    total = sum(model.probability(word, history) for word in (*model.words, END))
    assert total == pytest.approx(1.0)


def test_arpa_gives_the_same_probabilities(tmp_path) -> None:
    """The written file, read by the ARPA rules, gives what the model gives, for every history and word."""
    model = train(CORPUS, words=["never"])
    path = tmp_path / "m.arpa"
    model.write_arpa(path)
    seen: dict[tuple[str, ...], tuple[float, float]] = {}
    for line in path.read_text().splitlines():
        parts = line.split()
        if not parts or line.startswith(("\\", "ngram")):
            continue
        numbers = [part for part in parts if part.lstrip("-").replace(".", "").isdigit()]
        words = tuple(parts[1 : len(parts) - (len(numbers) - 1)])
        seen[words] = (float(parts[0]), float(numbers[1]) if len(numbers) > 1 else 0.0)

    def read(word: str, history: tuple[str, ...]) -> float:
        if (*history, word) in seen:
            return seen[(*history, word)][0]
        return seen.get(history, (0.0, 0.0))[1] + read(word, history[1:])

    histories = [(), (START,), ("a",), ("c",), (START, "a"), ("a", "b"), ("never", "a"), ("b", "never")]
    for history in histories:
        for word in (*model.words, END):
            ours = math.log10(model.probability(word, history))
            assert read(word, history) == pytest.approx(ours, abs=2e-4)


def test_pocketsphinx_reads_it_alike(tmp_path) -> None:
    """An independent reader agrees with our numbers."""
    import pocketsphinx

    model = train(CORPUS)
    path = tmp_path / "m.arpa"
    model.write_arpa(path)
    log = pocketsphinx.LogMath()
    read = pocketsphinx.NGramModel(pocketsphinx.Config(lm=str(path), loglevel="FATAL"), log, str(path))
    # its prob() takes the newest word first
    ours = log.log10_to_log(math.log10(model.probability("b", ("a",))))
    assert read.prob(["b", "a"]) == pytest.approx(ours, abs=-log.log10_to_log(-0.002))
