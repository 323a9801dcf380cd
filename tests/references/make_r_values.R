# Reference values from R: Rscript tests/references/make_r_values.R
#
# Writes r_values.json beside this file: generated data with the values that R computes for them. The tests read that file
# and never start R. Debian packages: r-base-core r-cran-psych r-cran-coin r-cran-exactranktests r-cran-mvtnorm
# r-cran-survival. Where no package computes a value it is enumerated or solved below, by code that shares nothing with
# the workbench; `by` says which. Data are drawn under R's own seeds, so another R may draw others: they are in the file.

suppressPackageStartupMessages({
  library(psych)
  library(coin)
  library(exactRankTests)
  library(mvtnorm)
  library(survival)
})
set.seed(20261125)

cases <- list()

add <- function(statistic, data, expected, by) {
  cases[[length(cases) + 1]] <<- list(statistic = statistic, data = data, expected = expected, by = by)
}

# Data -----------------------------------------------------------------------------------------------------------------

seven_points <- function(values) round(pmin(pmax(values, 1), 7))

scale_answers <- function(n, items, loading = 1, center = 4.2) {
  common <- rnorm(n)
  matrix(seven_points(center + loading * common + rnorm(n * items)), n, items)
}

conditions_answers <- function(n, effects) {
  level <- rnorm(n)
  seven_points(outer(level, 4 + effects, "+") + matrix(rnorm(n * length(effects)), n))
}

# Exact distributions by listing them ----------------------------------------------------------------------------------

permutations <- function(values) {
  if (length(values) == 1) return(matrix(values))
  do.call(rbind, lapply(seq_along(values), function(i) cbind(values[i], permutations(values[-i]))))
}

# Column sums of a table whose rows are put in every order: distinct sums, and in how many orders each comes.
column_sums <- function(rows) {
  sums <- matrix(0, 1, ncol(rows))
  times <- 1
  for (row in seq_len(nrow(rows))) {
    orders <- permutations(rows[row, ])
    moved <- do.call(rbind, lapply(seq_len(nrow(orders)), function(i) sweep(sums, 2, orders[i, ], "+")))
    key <- apply(moved, 1, paste, collapse = " ")
    first <- !duplicated(key)
    times <- as.vector(rowsum(rep(times, nrow(orders)), factor(key, levels = key[first])))
    sums <- moved[first, , drop = FALSE]
  }
  list(sums = sums, share = times / sum(times))
}

exact_tail <- function(rows, statistic) {
  all_orders <- column_sums(rows)
  sum(all_orders$share[apply(all_orders$sums, 1, statistic) >= statistic(colSums(rows)) - 1e-9])
}

ranks_in_rows <- function(table) t(apply(table, 1, rank))

# Reliability ----------------------------------------------------------------------------------------------------------

# Maximum likelihood of one factor: factanal, then EM until nothing moves (factanal stops at about 1e-6).
one_factor <- function(correlations, n) {
  start <- factanal(covmat = correlations, n.obs = n, factors = 1)
  loadings <- as.vector(start$loadings)
  uniquenesses <- unname(start$uniquenesses)
  for (step in 1:100000) {
    weights <- loadings / uniquenesses / (1 + sum(loadings^2 / uniquenesses))
    moment <- as.vector(correlations %*% weights)
    moved <- moment / (sum(weights * moment) + 1 - sum(weights * loadings))
    new_uniquenesses <- diag(correlations) - moved * moment
    change <- max(abs(moved - loadings), abs(new_uniquenesses - uniquenesses))
    loadings <- moved
    uniquenesses <- new_uniquenesses
    if (change < 1e-15) break
  }
  stopifnot(max(abs(loadings - as.vector(start$loadings))) < 1e-3, min(uniquenesses) > 0.01)
  list(loadings = loadings * sign(sum(loadings)), uniquenesses = uniquenesses)
}

omega <- function(fit, sds) {
  common <- sum(fit$loadings * sds)^2
  common / (common + sum(fit$uniquenesses * sds^2))
}

for (answers in list(scale_answers(12, 4), scale_answers(24, 6, 0.8), scale_answers(30, 3, 1.3))) {
  n <- nrow(answers)
  k <- ncol(answers)
  found <- psych::alpha(as.data.frame(answers), check.keys = FALSE, warnings = FALSE)
  feldt <- psych::alpha.ci(found$total$raw_alpha, n.obs = n, n.var = k)
  add("cronbach_alpha", list(answers = answers), list(
    raw = found$total$raw_alpha, standardized = found$total$std.alpha, low = feldt$lower.ci, high = feldt$upper.ci
  ), "psych::alpha, psych::alpha.ci")
  add("item_analysis", list(answers = answers), list(
    means = found$item.stats$mean, sds = found$item.stats$sd, item_rest_correlations = found$item.stats$r.drop,
    alpha_if_deleted = found$alpha.drop$raw_alpha
  ), "psych::alpha")
  add("standard_error_of_measurement", list(answers = answers), list(
    value = sd(rowSums(answers)) * sqrt(1 - found$total$raw_alpha)
  ), "psych::alpha, stats::sd")
}

for (answers in list(scale_answers(20, 4, 1.6), scale_answers(30, 6, 1.3), scale_answers(40, 3, 1.3))) {
  fit <- one_factor(cor(answers), nrow(answers))
  add("omega_total", list(answers = answers), list(
    value = omega(fit, apply(answers, 2, sd)), standardized = omega(fit, 1), loadings = fit$loadings,
    uniquenesses = fit$uniquenesses
  ), "stats::factanal, then EM to convergence")
}

for (answers in list(scale_answers(12, 2), scale_answers(25, 2, 0.7))) {
  halves <- cor(answers)[1, 2]
  add("spearman_brown", list(answers = answers), list(value = 2 * halves / (1 + halves)), "stats::cor")
}

for (ratings in list(scale_answers(10, 3, 1.5), sweep(scale_answers(24, 4), 2, c(0, 1, -1, 0.5), "+"))) {
  found <- psych::ICC(as.data.frame(ratings), lmer = FALSE)$results
  forms <- c("icc1", "icc2", "icc3", "icc1k", "icc2k", "icc3k")
  add("intraclass_correlations", list(ratings = ratings), list(
    value = setNames(as.list(found$ICC), forms), low = setNames(as.list(found[["lower bound"]]), forms),
    high = setNames(as.list(found[["upper bound"]]), forms)
  ), "psych::ICC")
}

# Two-step polychoric correlation: the root of the score, whose cell derivatives are bivariate normal densities.
polychoric <- function(x, y) {
  counts <- table(x, y)
  thresholds <- function(margin) c(-Inf, qnorm(cumsum(margin)[-length(margin)] / sum(margin)), Inf)
  h <- thresholds(rowSums(counts))
  k <- thresholds(colSums(counts))
  corners <- function(of) outer(seq_along(h), seq_along(k), Vectorize(function(i, j) of(h[i], k[j])))
  cells <- function(at) {
    rows <- nrow(at)
    columns <- ncol(at)
    at[-1, -1, drop = FALSE] - at[-rows, -1, drop = FALSE] - at[-1, -columns, drop = FALSE] + at[-rows, -columns, drop = FALSE]
  }
  below <- function(a, b, rho) {
    if (min(a, b) == -Inf) return(0)
    if (max(a, b) == Inf) return(pnorm(min(a, b)))
    pmvnorm(upper = c(a, b), corr = matrix(c(1, rho, rho, 1), 2), algorithm = TVPACK(abseps = 1e-15))
  }
  score <- function(rho) {
    chance <- cells(corners(function(a, b) below(a, b, rho)))
    slope <- cells(corners(function(a, b) {
      if (is.finite(a) && is.finite(b)) exp(-(a^2 - 2 * rho * a * b + b^2) / (2 * (1 - rho^2))) / (2 * pi * sqrt(1 - rho^2)) else 0
    }))
    sum((counts * slope / chance)[counts > 0])
  }
  uniroot(score, c(-0.99, 0.99), tol = 1e-14)$root
}

for (answers in list(scale_answers(40, 2, 0.9), scale_answers(60, 2, 1.2, 5.5))) {
  add("polychoric_correlation", list(x = answers[, 1], y = answers[, 2]), list(
    value = polychoric(answers[, 1], answers[, 2])
  ), "mvtnorm::pmvnorm, stats::uniroot")
}

long_rows <- function(people, conditions, items) {
  change <- rnorm(people * conditions)
  level <- rep(rnorm(people), each = conditions)
  data.frame(
    participant = rep(seq_len(people), each = conditions), condition = rep(seq_len(conditions), people),
    matrix(seven_points(4 + level + change + rnorm(people * conditions * items)), ncol = items)
  )
}

alpha_of <- function(covariance) {
  k <- ncol(covariance)
  k / (k - 1) * (1 - sum(diag(covariance)) / sum(covariance))
}

for (size in list(c(8, 3, 3), c(15, 4, 4))) {
  rows <- long_rows(size[1], size[2], size[3])
  items <- names(rows)[-(1:2)]
  changes <- suppressWarnings(
    psych::multilevel.reliability(rows, grp = "participant", Time = "condition", items = items, alpha = FALSE, lme = FALSE)
  )$Rc
  fit <- summary(manova(as.matrix(rows[items]) ~ factor(participant) + factor(condition), data = rows))
  mean_square <- function(term) fit$SS[[term]] / fit$stats[term, "Df"]
  residual <- fit$SS$Residuals / fit$stats["Residuals", "Df"]
  add("within_between_alpha", list(
    answers = as.matrix(rows[items]), participant = rows$participant, condition = rows$condition
  ), list(
    within = changes, between = alpha_of(mean_square("factor(participant)") - residual)
  ), "within: psych::multilevel.reliability Rc; between: stats::manova")
}

# Comparison -----------------------------------------------------------------------------------------------------------

wilcoxsign <- function(x, y, rule, ...) {
  wilcoxsign_test(x ~ y, data = data.frame(x = x, y = y), zero.method = rule, ...)
}

for (size in c(9, 15, 24)) {
  pairs <- conditions_answers(size, c(0.9, 0))
  x <- pairs[, 1]
  y <- pairs[, 2]
  stopifnot(any(x == y), anyDuplicated(abs(x - y)[x != y]) > 0)
  for (rule in c("Pratt", "Wilcoxon")) {
    found <- wilcoxsign(x, y, rule, distribution = "exact")
    expected <- list(
      z = as.numeric(statistic(found)), p_exact = as.numeric(pvalue(found)),
      p_asymptotic = as.numeric(pvalue(wilcoxsign(x, y, rule)))
    )
    add("signed_rank", list(x = x, y = y, zeros = if (rule == "Pratt") "pratt" else "drop"), expected,
      "coin::wilcoxsign_test")
    above <- wilcoxsign(x + 1, y, rule, distribution = "exact", alternative = "greater")
    below <- wilcoxsign(x - 2, y, rule, distribution = "exact", alternative = "less")
    add("equivalence", list(x = x, y = y, low = -1, high = 2, zeros = if (rule == "Pratt") "pratt" else "drop"), list(
      p_low = as.numeric(pvalue(above)), p_high = as.numeric(pvalue(below))
    ), "coin::wilcoxsign_test, one-sided, of shifted data")
  }
  dropped <- suppressWarnings(wilcox.exact(x, y, paired = TRUE, exact = TRUE))
  add("signed_rank", list(x = x, y = y, zeros = "drop"), list(
    w_plus = as.numeric(dropped$statistic), p_exact = dropped$p.value
  ), "exactRankTests::wilcox.exact")
}

for (size in c(8, 13, 30)) {
  x <- round(rnorm(size, 0.6), 4)
  y <- round(rnorm(size), 4)
  stopifnot(!anyDuplicated(abs(x - y)), all(x != y))
  for (level in c(0.95, 0.9)) {
    found <- wilcox.test(x, y, paired = TRUE, conf.int = TRUE, exact = TRUE, conf.level = level)
    add("signed_rank", list(x = x, y = y, level = level), list(
      w_plus = as.numeric(found$statistic), p_exact = found$p.value, hodges_lehmann = as.numeric(found$estimate),
      low = found$conf.int[1], high = found$conf.int[2]
    ), "stats::wilcox.test")
  }
}

for (sizes in list(c(6, 8), c(12, 15))) {
  x <- seven_points(rnorm(sizes[1], 4.8, 1.4))
  y <- seven_points(rnorm(sizes[2], 3.9, 1.4))
  both <- data.frame(value = c(x, y), group = factor(rep(c("x", "y"), sizes)))
  found <- coin::wilcox_test(value ~ group, data = both, distribution = "exact")
  add("rank_sum", list(x = x, y = y), list(
    u = as.numeric(suppressWarnings(wilcox.test(x, y))$statistic), z = as.numeric(statistic(found)),
    p_exact = as.numeric(pvalue(found)), p_asymptotic = as.numeric(pvalue(coin::wilcox_test(value ~ group, data = both)))
  ), "coin::wilcox_test, stats::wilcox.test")
  x <- round(rnorm(sizes[1], 0.7), 4)
  y <- round(rnorm(sizes[2]), 4)
  stopifnot(!anyDuplicated(c(x, y)))
  found <- wilcox.test(x, y, conf.int = TRUE, exact = TRUE)
  add("rank_sum", list(x = x, y = y), list(
    u = as.numeric(found$statistic), p_exact = found$p.value, hodges_lehmann = as.numeric(found$estimate),
    low = found$conf.int[1], high = found$conf.int[2]
  ), "stats::wilcox.test")
}

for (scores in list(
  conditions_answers(6, c(0, 0.5, 1)), conditions_answers(12, c(0, 0.4, 0.8)), conditions_answers(7, c(0, 0, 0.6, 1.2))
)) {
  n <- nrow(scores)
  k <- ncol(scores)
  ranks <- ranks_in_rows(scores)
  found <- friedman.test(scores)
  chi_square <- as.numeric(found$statistic)
  w <- chi_square / (n * (k - 1))
  f <- (n - 1) * w / (1 - w)
  add("friedman", list(scores = scores), list(
    chi_square = chi_square, p_asymptotic = found$p.value, kendall_w = w, f = f,
    p_f = pf(f, k - 1, (n - 1) * (k - 1), lower.tail = FALSE), mean_ranks = colMeans(ranks),
    p_exact = exact_tail(ranks, function(sums) sum((sums - mean(sums))^2))
  ), "stats::friedman.test, stats::pf; p_exact by listing every order of every row")
  add("kendall_w", list(rankings = scores), list(w = w, chi_square = chi_square), "stats::friedman.test")
  long <- data.frame(
    score = as.vector(scores), condition = factor(rep(seq_len(k), each = n), ordered = TRUE), block = factor(rep(seq_len(n), k))
  )
  trend <- coin::friedman_test(score ~ condition | block, data = long)
  add("page_trend", list(scores = scores), list(
    statistic = sum(seq_len(k) * colSums(ranks)), z = as.numeric(statistic(trend)),
    p_exact = exact_tail(ranks, function(sums) sum(seq_len(k) * sums))
  ), "coin::friedman_test with ordered conditions; p_exact by listing every order of every row")
}

p_values <- c(round(rexp(7, 8), 5), 0.03, 0.03)
for (method in c("holm", "bonferroni", "hochberg", "BH")) {
  add("adjust", list(p_values = p_values, method = if (method == "BH") "benjamini-hochberg" else method), list(
    adjusted = p.adjust(p_values, method)
  ), "stats::p.adjust")
}

for (size in c(8, 20)) {
  binary <- matrix(rbinom(size * 3, 1, rep(c(0.3, 0.5, 0.8), each = size)), size)
  found <- friedman.test(binary)
  add("cochran_q", list(binary = binary), list(
    q = as.numeric(found$statistic), p_asymptotic = found$p.value,
    p_exact = exact_tail(binary, function(sums) sum((sums - mean(sums))^2))
  ), "stats::friedman.test; p_exact by listing every order of every row")
  counts <- table(factor(binary[, 1], 0:1), factor(binary[, 2], 0:1))
  found <- mcnemar.test(counts, correct = FALSE)
  add("mcnemar", list(x = binary[, 1], y = binary[, 2]), list(
    b = counts[2, 1], c = counts[1, 2], chi_square = as.numeric(found$statistic), p_asymptotic = found$p.value,
    p_exact = binom.test(counts[2, 1], counts[2, 1] + counts[1, 2])$p.value
  ), "stats::mcnemar.test, stats::binom.test")
}

# Preference -----------------------------------------------------------------------------------------------------------

all_counts <- function(n, k) {
  listed <- as.matrix(expand.grid(rep(list(0:n), k - 1)))
  listed <- listed[rowSums(listed) <= n, , drop = FALSE]
  unname(cbind(listed, n - rowSums(listed)))
}

for (choice in list(
  list(counts = c(9, 4, 2), chances = rep(1, 3) / 3), list(counts = c(3, 8, 6, 1), chances = c(0.1, 0.4, 0.3, 0.2))
)) {
  found <- suppressWarnings(chisq.test(choice$counts, p = choice$chances))
  listed <- all_counts(sum(choice$counts), length(choice$counts))
  chance <- apply(listed, 1, dmultinom, prob = choice$chances)
  distance <- apply(listed, 1, function(counts) sum((counts - found$expected)^2 / found$expected))
  add("choice_test", list(counts = choice$counts, probabilities = choice$chances), list(
    chi_square = as.numeric(found$statistic), p_asymptotic = found$p.value,
    p_exact = sum(chance[distance >= as.numeric(found$statistic) * (1 - 1e-9)]),
    p_exact_probability = sum(chance[chance <= dmultinom(choice$counts, prob = choice$chances) * (1 + 1e-9)])
  ), "stats::chisq.test; exact p by listing every outcome with stats::dmultinom")
}

wins <- matrix(c(0, 4, 9, 3, 0, 6, 2, 5, 0), 3, byrow = TRUE)
games <- rbind(c(1, 2), c(1, 3), c(2, 3))
design <- t(apply(games, 1, function(pair) (1:3 == pair[1]) - (1:3 == pair[2])))[, -1]
fit <- glm(cbind(wins[games], wins[games[, 2:1]]) ~ 0 + design, family = binomial, epsilon = 1e-15, maxit = 100)
add("bradley_terry", list(wins = wins, reference = 0), list(
  abilities = c(0, unname(coef(fit))), standard_errors = c(0, unname(sqrt(diag(vcov(fit)))))
), "stats::glm")

for (size in c(10, 24)) {
  worth <- c(0, 0.5, 0.8, 1.2)
  rankings <- t(replicate(size, rank(-(worth - log(-log(runif(4)))))))
  long <- data.frame(
    place = as.vector(t(rankings)), object = factor(rep(1:4, size)), person = rep(seq_len(size), each = 4)
  )
  fit <- coxph(Surv(place) ~ object + strata(person), data = long,
    control = coxph.control(eps = 1e-15, toler.chol = 1e-18, iter.max = 100))
  centered <- (diag(4) - 1 / 4)[, -1]
  add("plackett_luce", list(rankings = rankings), list(
    abilities = as.vector(centered %*% coef(fit)), standard_errors = sqrt(diag(centered %*% vcov(fit) %*% t(centered))),
    log_likelihood = fit$loglik[2]
  ), "survival::coxph, a stratum per person")
}

# Agreement ------------------------------------------------------------------------------------------------------------

# Standard error by Fleiss, Cohen & Everitt 1969. That of psych 2.2.9 is used for plain kappa only: with weights it adds up
# rowSums(w * rs), where the mean weights need colSums(w * rs).
weighted_error <- function(shares, weights, n) {
  first <- rowSums(shares)
  second <- colSums(shares)
  observed <- sum(weights * shares)
  expected <- sum(weights * outer(first, second))
  mean_weights <- outer(as.vector(weights %*% second), as.vector(weights %*% first), "+")
  squares <- sum(shares * (weights * (1 - expected) - mean_weights * (1 - observed))^2)
  sqrt((squares - (observed * expected - 2 * expected + observed)^2) / (n * (1 - expected)^4))
}

steps <- abs(outer(1:4, 1:4, "-")) / 3
for (size in c(20, 50)) {
  first <- sample(1:4, size, replace = TRUE)
  second <- ifelse(runif(size) < 0.6, first, sample(1:4, size, replace = TRUE))
  ratings <- cbind(first, second)
  shares <- table(factor(first, 1:4), factor(second, 1:4)) / size
  plain <- psych::cohen.kappa(ratings, levels = 1:4)
  stopifnot(abs(sqrt(plain$var.kappa) - weighted_error(shares, diag(4), size)) < 1e-12)
  weighted <- function(weights) list(
    value = psych::cohen.kappa(ratings, w = weights, levels = 1:4)$weighted.kappa,
    standard_error = weighted_error(shares, weights, size)
  )
  add("cohen_kappa", list(ratings = ratings, categories = 1:4), list(
    plain = list(value = plain$kappa, standard_error = sqrt(plain$var.kappa)),
    linear = weighted(1 - steps), quadratic = weighted(1 - steps^2)
  ), "psych::cohen.kappa; standard errors with weights from the formula")
}

# Writing --------------------------------------------------------------------------------------------------------------

quoted <- function(text) paste0('"', text, '"')

json <- function(value) {
  if (is.list(value)) return(paste0("{", paste0(quoted(names(value)), ": ", sapply(value, json), collapse = ", "), "}"))
  if (is.matrix(value)) return(paste0("[", paste(apply(unname(value), 1, json), collapse = ", "), "]"))
  written <- if (is.character(value)) quoted(value) else ifelse(is.na(value), "null", sprintf("%.17g", as.numeric(value)))
  if (length(value) == 1) written else paste0("[", paste(written, collapse = ", "), "]")
}

packages <- c("psych", "coin", "exactRankTests", "mvtnorm", "survival")
made <- list(
  date = format(Sys.Date()), R = R.version.string,
  packages = setNames(lapply(packages, function(name) as.character(packageVersion(name))), packages)
)
case_text <- function(case) {
  paste0("  {", paste0(quoted(names(case)), ": ", sapply(case, json), collapse = ",\n   "), "}")
}
script <- sub("^--file=", "", grep("^--file=", commandArgs(), value = TRUE))
text <- paste0('{\n "made": ', json(made), ',\n "cases": [\n', paste(sapply(cases, case_text), collapse = ",\n"), "\n ]\n}\n")
cat(text, file = file.path(dirname(script), "r_values.json"))
