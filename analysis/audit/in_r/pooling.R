# One answer from several completed data sets.

# Degrees of freedom of a pooled estimate: Barnard & Rubin 1999, Biometrika 86:948. `share` is the
# share of the variance that the gaps brought, `complete` the degrees of freedom without gaps.
barnard_rubin <- function(data_sets, share, complete) {
  old <- (data_sets - 1) / share^2
  if (is.infinite(complete)) return(ifelse(share == 0, complete, old))
  observed <- (complete + 1) / (complete + 3) * complete * (1 - share)
  ifelse(share == 0, complete, 1 / (1 / old + 1 / observed))
}

# Fraction of missing information: Rubin 1987, equation 3.1.10.
missing_information <- function(data_sets, share) {
  odds <- share / (1 - share)
  df <- (data_sets - 1) / share^2
  ifelse(share == 0, 0, (odds + 2 / (df + 3)) / (odds + 1))
}

# Rubin's rules. Rows of `estimates` and `errors` are coefficients, columns data sets.
rubin <- function(estimates, errors, complete) {
  data_sets <- ncol(estimates)
  within <- rowMeans(errors^2)
  between <- apply(estimates, 1, var)
  total <- within + (1 + 1 / data_sets) * between
  share <- (1 + 1 / data_sets) * between / total
  data.frame(
    coefficient = rowMeans(estimates), within = within, between = between,
    standard_error = sqrt(total), df = barnard_rubin(data_sets, share, complete),
    missing_information = missing_information(data_sets, share)
  )
}

# Chi-squared statistics of one test over data sets as an F test: Li, Meng, Raghunathan & Rubin
# 1991, Stat Sinica 1:65 (their D2). One data set: as it is.
pooled_test <- function(statistics, df) {
  data_sets <- length(statistics)
  if (data_sets == 1) {
    return(c(statistic = statistics, p = pchisq(statistics, df, lower.tail = FALSE)))
  }
  spread <- (1 + 1 / data_sets) * var(sqrt(statistics))
  found <- mean(statistics) / df - (data_sets + 1) / (data_sets - 1) * spread
  found <- max(0, found / (1 + spread))
  second <- df^(-3 / data_sets) * (data_sets - 1) * (1 + 1 / spread)^2
  c(statistic = found, p = pf(found, df, second, lower.tail = FALSE))
}

# Estimate, interval and test of each column of a model. One data set: by the normal curve (Cox), or
# by Student's t with the degrees of freedom of the study (mixed; lme4 and nlme have none of that
# kind). Several: pooled.
pooled <- function(result, model) {
  names <- paste0("x", seq_along(result$fits[[1]]$coefficients))
  part <- function(name) {
    matrix(unlist(lapply(result$fits, `[[`, name)), nrow = length(names))
  }
  estimates <- part("coefficients")
  errors <- part("errors")
  found <- if (ncol(estimates) > 1) {
    rubin(estimates, errors, model$df)
  } else {
    data.frame(
      coefficient = estimates[, 1], within = errors[, 1]^2, between = 0,
      standard_error = errors[, 1], df = if (model$kind == "cox") Inf else model$df,
      missing_information = NA
    )
  }
  quantile <- qt(0.5 + model$level / 2, found$df)
  found$low <- found$coefficient - quantile * found$standard_error
  found$high <- found$coefficient + quantile * found$standard_error
  found$p <- 2 * pt(-abs(found$coefficient / found$standard_error), found$df)
  found$step <- if (is.null(result$steps)) NA else unname(result$steps[names])
  data.frame(model = model$model, column = names, found, stringsAsFactors = FALSE)
}
