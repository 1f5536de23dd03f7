# Reference values for the statistics of internal/engine/stats and internal/engine/stats/portable, from R (r-base-core, r-cran-psych of Debian 12).
# Made with:  Rscript stats.R > stats.json
# All data are random, from the seed below. Numbers are written with 17 significant digits.
suppressMessages(library(psych))
RNGversion("4.2.0")
set.seed(20261125)
num <- function(v) ifelse(is.finite(v), sprintf("%.17g", v), "null")
arr <- function(v) paste0("[", paste(num(v), collapse = ","), "]")
mat <- function(m) paste0("[", paste(apply(m, 1, arr), collapse = ","), "]")
obj <- function(...) { a <- list(...); paste0("{", paste0('"', names(a), '":', unlist(a), collapse = ","), "}") }
str <- function(s) paste0('"', s, '"')
lst <- function(v) paste0("[\n", paste(v, collapse = ",\n"), "\n]")

special <- c()
put <- function(fn, args, value) special <<- c(special, obj(fn = str(fn), args = arr(args), value = num(value)))
for (v in c(1e-300, 0.001, 1/480, 0.3, 0.5, 0.9999, 1, 1.0001, 2, 10, 12345.678, 1e300, exp(runif(20, -20, 20)))) put("log", v, log(v))
for (v in c(-700, -30, -1, -1e-9, 0, 1e-9, 0.5, 1, 2, 30, 700, runif(20, -50, 50))) put("exp", v, exp(v))
for (v in c(0.001, 0.1, 0.5, 1.5, 3, 7.25, 12.9, 13, 50, 1000, 1e5, runif(20, 0, 40))) put("lgamma", v, lgamma(v))
for (v in c(-38, -20, -6, -2.5000001, -2.5, -1, 0, 0.6744898, 1.96, 2.5, 2.6, 6, runif(20, -5, 5))) put("pnorm", v, pnorm(v))
for (v in c(1e-300, 1e-10, 0.001, 0.025, 0.1, 0.25, 0.3, 0.5, 0.75, 0.9, 0.975, 0.9999, runif(20))) put("qnorm", v, qnorm(v))
for (i in 1:30) { a <- exp(runif(1, -1, 7)); b <- exp(runif(1, -1, 7)); x <- rbeta(1, a, b); put("pbeta", c(x, a, b), pbeta(x, a, b)) }
for (i in 1:20) { a <- exp(runif(1, 0, 6)); b <- exp(runif(1, 0, 6)); x <- rf(1, a, b); put("pf", c(x, a, b), pf(x, a, b)); put("pf_upper", c(x, a, b), pf(x, a, b, lower.tail = FALSE)) }
for (i in 1:20) { a <- exp(runif(1, 0, 6)); b <- exp(runif(1, 0, 6)); p <- runif(1); put("qf", c(p, a, b), qf(p, a, b)) }
for (p in c(0.025, 0.5, 0.95, 0.975)) for (a in c(1, 5, 15, 1000)) for (b in c(3, 15, 3.7, 400)) put("qf", c(p, a, b), qf(p, a, b))
for (i in 1:20) { d <- exp(runif(1, 0, 6)); x <- rt(1, d); put("pt_upper", c(x, d), pt(x, d, lower.tail = FALSE)) }
for (p in c(0.005, 0.025, 0.3, 0.5, 0.9, 0.975, 0.995)) for (d in c(1, 2, 5, 16, 100.5, 5000)) put("qt", c(p, d), qt(p, d))

# Exact tails over all permutations of y, for small n with or without ties.
perms <- function(v) { if (length(v) <= 1) return(list(v)); out <- list(); for (i in seq_along(v)) for (p in perms(v[-i])) out[[length(out) + 1]] <- c(v[i], p); out }
stat_s <- function(x, y) sum(rank(x) * rank(y))
stat_k <- function(x, y) sum(sign(outer(x, x, "-")) * sign(outer(y, y, "-"))) / 2
tails <- function(stat, x, y) {
  all <- sapply(perms(seq_along(y)), function(o) stat(x, y[o])); m <- mean(all); s <- stat(x, y); e <- 1e-9
  c(mean(all >= s - e), mean(all <= s + e), mean(abs(all - m) >= abs(s - m) - e))
}
one <- function(x, y, exhaustive) {
  ties <- anyDuplicated(x) > 0 || anyDuplicated(y) > 0; n <- length(x)
  q <- function(method, alt, exact) suppressWarnings(cor.test(x, y, method = method, alternative = alt, exact = exact)$p.value)
  three <- function(method, exact) arr(c(q(method, "greater", exact), q(method, "less", exact), q(method, "two.sided", exact)))
  obj(x = arr(x), y = arr(y), rho = num(cor(x, y, method = "spearman")), tau = num(cor(x, y, method = "kendall")), pearson = num(cor(x, y)),
      spearman_exact = if (!ties && n <= 9) three("spearman", TRUE) else if (exhaustive) arr(tails(stat_s, x, y)) else "null",
      kendall_exact = if (!ties && n < 50) three("kendall", TRUE) else if (exhaustive) arr(tails(stat_k, x, y)) else "null",
      spearman_t = three("spearman", FALSE), kendall_normal = three("kendall", FALSE),
      theil_sen = arr({ d <- outer(x, x, "-"); k <- upper.tri(d) & d != 0; b <- median((outer(y, y, "-") / d)[k]); c(b, median(y - b * x)) }))
}
cors <- c()
for (n in c(4, 5, 6, 7, 8, 9, 12, 20, 30, 49, 60)) { x <- round(rnorm(n, 50, 15), 4); y <- round(x * runif(1, -1, 1) + rnorm(n, 0, 15), 4); cors <- c(cors, one(x, y, FALSE)) }
for (n in c(4, 5, 6, 7, 7, 7)) { x <- seq(10, by = 10, length.out = n); y <- sort(sample(2:6, n, TRUE)); k <- sample(n, 2); y[k] <- y[rev(k)]; cors <- c(cors, one(x, y, TRUE)) }
for (n in c(4, 5, 6, 7, 7, 7)) { repeat { x <- sample(1:4, n, TRUE); y <- sample(1:4, n, TRUE); if (length(unique(x)) > 1 && length(unique(y)) > 1) break }; cors <- c(cors, one(x, y, TRUE)) }
for (n in c(15, 25, 80)) cors <- c(cors, one(sample(1:8, n, TRUE), sample(1:8, n, TRUE), FALSE))

icc <- function(m) {
  r <- suppressWarnings(suppressMessages(ICC(m, lmer = FALSE))); t <- r$results; n <- nrow(m); k <- ncol(m)
  d <- data.frame(v = as.vector(m), s = factor(rep(1:n, k)), j = factor(rep(1:k, each = n))); a <- summary(aov(v ~ s + j, d))[[1]]; w <- summary(aov(v ~ s, d))[[1]]
  obj(ratings = mat(m), ms = arr(c(a[["Mean Sq"]][1], w[["Mean Sq"]][2], a[["Mean Sq"]][2], a[["Mean Sq"]][3])),
      icc = arr(t$ICC), lower = arr(t$"lower bound"), upper = arr(t$"upper bound"), f = arr(t$F), p = arr(t$p))
}
iccs <- c()
for (i in 1:8) { n <- sample(4:25, 1); k <- sample(2:5, 1); m <- outer(rnorm(n, 60, runif(1, 1, 20)), rnorm(k, 0, runif(1, 0.1, 6)), "+") + rnorm(n * k, 0, runif(1, 0.5, 8)); iccs <- c(iccs, icc(round(m, 4))) }

agree <- c()
for (n in c(3, 8, 17, 40)) {
  a <- round(rnorm(n, 80, 20), 3); b <- round(a + rnorm(n, 2, 6), 3); d <- a - b; s <- sd(d); t <- qt(0.975, n - 1)
  agree <- c(agree, obj(a = arr(a), b = arr(b), bias = num(mean(d)), sd = num(s), limits196 = arr(mean(d) + c(-1.96, 1.96) * s), limits2 = arr(mean(d) + c(-2, 2) * s),
    ci_bias = arr(as.vector(t.test(d)$conf.int)), se_limit = num(sqrt(3 * s^2 / n)), ci_lower = arr(mean(d) - 1.96 * s + c(-1, 1) * t * sqrt(3 * s^2 / n)),
    within_sd = num(sqrt(mean(d^2) / 2)), cv_a = num(sd(a) / mean(a)), mean_a = num(mean(a)), sd_a = num(sd(a))))
}
cat("{\n", '"made_with": ', str(R.version.string), ',\n"psych": ', str(as.character(packageVersion("psych"))), ',\n"special": ', lst(special), ',\n"correlation": ', lst(cors), ',\n"icc": ', lst(iccs), ',\n"agreement": ', lst(agree), "\n}\n", sep = "")
